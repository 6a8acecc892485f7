package blockdev

import (
	"errors"
	"strings"
	"testing"

	"bootgraft/image/disk"
)

func TestFindEnd(t *testing.T) {
	for _, size := range []disk.Sector{0, 1, 2, 3, 4, 5, 63, 64, 65, 524_160, 39_070_080, 1<<40 - 1, 1 << 40, mostSectors} {
		reads := 0
		got, err := findEnd(func(at disk.Sector) (bool, error) {
			reads++
			return at < size, nil
		})
		if err != nil || got != size || reads > 2*48+3 {
			t.Errorf("%d sectors: found %d after %d reads, %v", size, got, reads, err)
		}
	}
	if n, err := findEnd(func(disk.Sector) (bool, error) { return true, nil }); err == nil {
		t.Errorf("a device without an end has %d sectors", n)
	}
}

// Sectors that cannot be read lie where the search looks. The end is found all the
// same, or it is said that it cannot be: it is never a wrong one.
func TestFindEndWithBadSectors(t *testing.T) {
	const size = 1000
	broken := errors.New("a bad sector")
	found := 0
	for start := range disk.Sector(size) {
		for _, count := range []disk.Sector{1, 8, 40, size} {
			bad := disk.Span{Start: start, Count: min(count, size-start)}
			got, err := findEnd(func(at disk.Sector) (bool, error) {
				if bad.Holds(at) {
					return false, broken
				}
				return at < size, nil
			})
			switch {
			case err != nil && (!errors.Is(err, broken) || !strings.Contains(err.Error(), "sector ")):
				t.Fatalf("%v: %v", bad, err)
			case err == nil && got != size:
				t.Fatalf("%v: found %d sectors", bad, got)
			case err == nil:
				found++
			}
		}
	}
	if found < 2*size {
		t.Errorf("the end was found in %d of %d cases", found, 4*size)
	}
}
