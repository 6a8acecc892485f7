package fit

import (
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume"
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

// A survey, a look at what lies outside the volumes, and a plan in which a volume
// becomes smaller read both ends of the disk once. Between them a table is read whole,
// so that no cache of sectors helps: it is loaded, and compared with its copy, for the
// survey and for the plan; the new tables and the check number read what they
// need; the look for names in boot code takes its first sectors along, and the look for
// links loads the table for the list of files.
func TestReadsOfAPlan(t *testing.T) {
	const load, compare, pins, links, tables, checkNumber = 2, 2, 1, 1, 2, 1
	for name, x := range volumeDisks(t) {
		src := &counted{Source: x.d, reads: map[disk.Sector]int{}}
		once := image.NewCache(src)
		s, err := scan.Run(t.Context(), once, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := scan.LookOutside(t.Context(), once, s); err != nil {
			t.Fatal(err)
		}
		const target = 80_000
		w := Wishes{Target: plan.Size{Sectors: target, SectorSize: 512}, Accept: []disk.Code{"tail-undecided"}, Tail: TailEnd,
			Volumes: Volumes{Wish: map[int]volume.Wishes{x.index: {Mode: volume.Shrink}}}}
		p, err := Plan(t.Context(), once, s, w)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		v := s.Volume(x.index)
		table := v.Start + fatOf(t, x.d, s, x.index).TableSpan(0).Start
		if !slices.ContainsFunc(p.Pieces, func(q layout.Piece) bool { return q.Why == layout.WhyVolume }) {
			t.Errorf("%s: the volume does not change", name)
		}
		edge := disk.Sector(2<<20) / 512 // that the cache keeps
		want := map[disk.Sector]int{0: 1, 1: 1, v.Start: 1, image.Sectors(x.d) - 1: 1, table: 1}
		if table > edge {
			want[v.Start], want[table] = load+checkNumber, load+compare+pins+links+tables+checkNumber
		}
		for at, most := range want {
			if n := src.reads[at]; n > most {
				t.Errorf("%s: sector %d is read %d times, %d are allowed", name, at, n, most)
			}
		}
	}
}
