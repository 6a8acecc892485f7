package compare

import (
	"testing"

	"bootgraft/image/disk"
)

// TestAgreedBelow: the size that is named is the largest one at which nothing is left to
// ask, found here by trying every size down from the card.
func TestAgreedBelow(t *testing.T) {
	for name, counts := range map[string][]Count{
		"one":            {{}},
		"tracks":         {{}, {Whole: 63}},
		"two units":      {{}, {Whole: 16}, {Whole: 36}},
		"without sector": {{Whole: 255}, {Whole: 63}},
	} {
		r := &Rules{SectorSize: 512, Head: 64, Tail: 64, Sizes: []disk.Sector{144_000, 288_000}, Counts: counts}
		for _, n := range []disk.Sector{10_000, 100_001, 144_000, 1_500_001} {
			want := n
			for ; want > 0 && (len(r.DiffersBy(want, true)) > 1 || r.Likeliest(want).For(want).Undecided > 0); want-- {
			}
			if got := r.AgreedBelow(n, true); got != want {
				t.Errorf("%s: %d for a card of %d, want %d", name, got, n, want)
			}
		}
	}
}
