package fit

import (
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// tuple writes a CHS tuple for 16 heads and 63 sectors (EFI Specification 1.02, table
// 16-5: head, sector and the two highest bits of the cylinder, its other bits).
func tuple(x disk.Sector) []byte {
	c, h, s := x/(16*63), x/63%16, x%63+1
	return []byte{byte(h), byte(s) | byte(c>>8)<<6, byte(c)}
}

// onCylinders is a disk whose entry ends on a cylinder of 16 heads and 63 sectors.
func onCylinders(t *testing.T, cylinders disk.Sector) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(cylinders*1008+500, 512)
	count := cylinders*1008 - 63
	disks.MBR(d, entry(63, count))
	b, err := image.ReadSector(d, 0)
	if err != nil {
		t.Fatal(err)
	}
	copy(b[446+1:], tuple(63))
	copy(b[446+5:], tuple(63+count-1))
	d.Put(0, b)
	songs(t, d, 63, count, fat.FAT16, 4)
	return d
}

// endOfCard returns where the entry of a planned card ends, from its bytes.
func endOfCard(t *testing.T, src *imagetest.Disk, w Wishes) (end disk.Sector, said []string) {
	t.Helper()
	p, err := Plan(t.Context(), src, survey(t, src), w)
	if err != nil {
		t.Fatal(err)
	}
	made, err := card.New(p, src)
	if err != nil {
		t.Fatal(err)
	}
	b, err := image.ReadSector(made, 0)
	if err != nil {
		t.Fatal(err)
	}
	u32 := func(at int) disk.Sector {
		return disk.Sector(b[at]) | disk.Sector(b[at+1])<<8 | disk.Sector(b[at+2])<<16 | disk.Sector(b[at+3])<<24
	}
	for _, f := range p.Findings {
		said = append(said, string(f.Code))
	}
	return u32(446+8) + u32(446+12), said
}

// TestEntriesStayOnCylinders: where the entry ended on a cylinder, so does the new one,
// smaller or grown; a size that was asked for stays as it is, and is told.
func TestEntriesStayOnCylinders(t *testing.T) {
	d := onCylinders(t, 100)
	off := string(disk.EntryOffCylinder)
	for _, c := range []struct {
		name string
		w    Wishes
		on   bool
	}{
		{"smaller", size(80_000), true},
		{"smaller by less than a cylinder", size(100_100), true},
		{"grown", wishing(150_000, 1, volume.Wishes{Mode: volume.Grow}), true},
		{"asked for", wishing(90_000, 1, volume.Wishes{Mode: volume.Shrink, Sectors: 70_000}), false},
	} {
		end, said := endOfCard(t, d, c.w)
		if (end%1008 == 0) != c.on || slices.Contains(said, off) == c.on {
			t.Errorf("%s: the entry ends at %d (%d over a cylinder): %s", c.name, end, end%1008, strings.Join(said, ", "))
		}
		if end > c.w.Target.Sectors {
			t.Errorf("%s: the entry ends at %d of %d", c.name, end, c.w.Target.Sectors)
		}
	}
}

// TestEntriesOffCylindersGetNone: an entry that never ended on a cylinder is not cut to
// one, and nothing is said.
func TestEntriesOffCylindersGetNone(t *testing.T) {
	d := imagetest.New(100_000, 512)
	disks.MBR(d, entry(63, 90_000))
	songs(t, d, 63, 90_000, fat.FAT16, 4)
	if end, said := endOfCard(t, d, size(80_000)); end != 80_000 || slices.Contains(said, string(disk.EntryOffCylinder)) {
		t.Errorf("the entry ends at %d: %v", end, said)
	}
}
