package candidate

import (
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// TestLawsForetellTheirValues: whatever is looked for as the size of a disk, or as an
// address before its end, is what its law gives for that size, and a law gives what
// would be looked for on a disk of another size.
func TestLawsForetellTheirValues(t *testing.T) {
	at := func(l *layout.Law, n disk.Sector) uint64 {
		return uint64((l.Of*int64(n)+l.Add)/l.Per*l.Times + l.Plus)
	}
	for _, size := range []int{512, 2048} {
		for _, n := range []disk.Sector{1_000_003, 6_346_368, 39_070_080} {
			starts := []disk.Sector{1, 32, 100, n - 5000, n - 4096}
			for _, q := range quantities(n, size, starts) {
				if q.law == nil || at(q.law, n) != q.value {
					t.Errorf("%d sectors of %d bytes: %s = %d, by its law %+v", n, size, q.meaning, q.value, q.law)
				}
			}
			followed := 0
			for _, p := range addressPatterns(n, size, starts) {
				if p.law == nil {
					continue
				}
				followed++
				if at(p.law, n) != p.value {
					t.Errorf("%d sectors of %d bytes: %s = %d, by its law %+v", n, size, p.meaning, p.value, p.law)
				}
			}
			if followed == 0 {
				t.Error("no address counts from the end")
			}
			for _, p := range triples(n, 1) {
				if at(p.law, n) != p.value {
					t.Errorf("%s = %d, by its law %+v", p.meaning, p.value, p.law)
				}
			}
		}
	}
}
