package candidate

import "testing"

// TestUnits: a cylinder is its heads times its sectors a track, units ascend, each is
// there once, and each use has some.
func TestUnits(t *testing.T) {
	last := int64(1)
	for _, u := range table {
		if u.Sectors <= last || u.uses == 0 || u.Track > 0 && u.Sectors != max(u.Heads, 1)*u.Track {
			t.Errorf("%+v, after one of %d sectors", u, last)
		}
		last = u.Sectors
	}
	for use := InNumbers; use <= Address; use <<= 1 {
		if len(units(use)) < 5 {
			t.Errorf("use %d: %v", use, units(use))
		}
	}
}
