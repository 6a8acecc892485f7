package fit

import (
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat/resize"
)

// counted counts how often each sector is read.
type counted struct {
	image.Source
	reads map[disk.Sector]int
}

func (c *counted) ReadAt(b []byte, off int64) (int, error) {
	n := int64(c.SectorSize())
	for x := off / n; x*n < off+int64(len(b)); x++ {
		c.reads[disk.Sector(x)]++
	}
	return c.Source.ReadAt(b, off)
}

// A survey, a look at what lies outside the volumes, and a plan read both ends of
// the disk once, and a sector of an allocation table elsewhere three times at most:
// for the survey, for the new tables and for the check number of the plan.
func TestReadsOfAPlan(t *testing.T) {
	for name, x := range volumeDisks(t) {
		src := &counted{Source: x.d, reads: map[disk.Sector]int{}}
		once := image.NewCache(src)
		s, err := scan.Run(t.Context(), once, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Outside(t.Context(), once); err != nil {
			t.Fatal(err)
		}
		target := image.Sectors(x.d) - 2000
		w := Wishes{Target: plan.Disk{Sectors: target, SectorSize: 512}, Accept: []disk.Code{"tail-undecided"}, Tail: TailEnd,
			Volumes: Volumes{Wish: map[int]resize.Wishes{x.index: {Mode: resize.Shrink}}}}
		if _, err := Plan(t.Context(), once, s, w); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		v := s.Volume(x.index)
		table := v.Start + s.FAT[x.index].TableSpan(0).Start
		t.Logf("%s: sector 0 is read %d times, the first of the table %d, the last of the disk %d", name, src.reads[0], src.reads[table], src.reads[image.Sectors(x.d)-1])
		for at, most := range map[disk.Sector]int{0: 1, 1: 1, v.Start: 1, image.Sectors(x.d) - 1: 1, table: 3} {
			if n := src.reads[at]; n > most {
				t.Errorf("%s: sector %d is read %d times", name, at, n)
			}
		}
	}
}
