package fit

import (
	"bytes"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// A FAT16 volume of 30,001 sectors in entry 1, and something else that claims
// sectors of it.
func overlapped(other func(d *imagetest.Disk, first disks.Entry)) *imagetest.Disk {
	d := imagetest.New(31000, 512)
	first := entry(63, 30001)
	disks.FAT(d, first.Span, fat.FAT16, 40_000, 90_000)
	other(d, first)
	return d
}

func overlaps() map[string]*imagetest.Disk {
	beside := func(s disk.Span) func(*imagetest.Disk, disks.Entry) {
		return func(d *imagetest.Disk, first disks.Entry) {
			disks.Noise(d, s, 7)
			disks.MBR(d, first, disks.Entry{Span: s, Type: 0x83})
		}
	}
	return map[string]*imagetest.Disk{
		"inside":  overlapped(beside(at(20000, 5000))),
		"partial": overlapped(beside(at(29000, 1900))),
		"chain": overlapped(func(d *imagetest.Disk, first disks.Entry) {
			box := disks.Entry{Span: at(20000, 5000), Type: 0x05}
			disks.Noise(d, at(20063, 4000), 8)
			disks.MBR(d, first, box)
			disks.Chain(d, box.Span, 63, entry(20063, 4000))
		}),
	}
}

// A sector with two claimants is carried where both look for it, or there is no
// plan: a volume changes only if it alone claims its sectors.
func TestAVolumeWithSectorsOfTwoDoesNotChange(t *testing.T) {
	for name, d := range overlaps() {
		src := once(t, d)
		for _, w := range []Wishes{
			size(28000),
			wishing(31000, 1, volume.Wishes{Mode: volume.Shrink, Sectors: 26000}),
			wishing(40000, 1, volume.Wishes{Mode: volume.Grow}),
			wishing(31000, 1, volume.Wishes{Mode: volume.Keep, Free: volume.FreeSkip}),
			wishing(31000, 1, volume.Wishes{Mode: volume.Keep, Empty: true}),
		} {
			_, err := tryPlan(t, src, w)
			if err == nil {
				t.Errorf("%s, %d sectors: a volume changes under another claim", name, w.Target.Sectors)
				continue
			}
			r := IsRefused(err)
			i := slices.IndexFunc(r.Why, func(f disk.Finding) bool { return f.Code == disk.VolumeShared })
			if i < 0 || r.Why[i].Sector < 20000 {
				t.Errorf("%s, %d sectors: refused without naming the two: %v", name, w.Target.Sectors, err)
			}
		}
		p := mustPlan(t, src, size(40000))
		if lost := lostSectors(d, p); lost != nil {
			t.Errorf("%s: %v", name, lost)
		}
	}
}

// wishing asks one thing of one volume.
func wishing(n disk.Sector, index int, v volume.Wishes) Wishes {
	w := size(n)
	w.Volumes.Wish = map[int]volume.Wishes{index: v}
	return w
}

func TestTwoEntriesOfTheSameSectors(t *testing.T) {
	d := imagetest.New(40000, 512)
	e := entry(63, 30001)
	disks.FAT(d, e.Span, fat.FAT16, 40_000)
	disks.MBR(d, e, e)
	w := wishing(40000, 1, volume.Wishes{Mode: volume.Grow, Sectors: 35000})
	w.Volumes.Wish[2] = volume.Wishes{Mode: volume.Shrink, Sectors: 25000}
	if _, err := tryPlan(t, d, w); err == nil {
		t.Error("two entries of the same sectors change apart from each other")
	}
}

// A logical volume that runs past its container, with an entry behind it, is no
// reason to refuse a copy.
func TestLogicalPastItsContainer(t *testing.T) {
	d := imagetest.New(40000, 512)
	box := disks.Entry{Span: at(10000, 5000), Type: 0x05}
	disks.MBR(d, entry(63, 9000), box, entry(15500, 3000))
	disks.Chain(d, box.Span, 63, entry(10063, 5100))
	disks.Noise(d, at(10063, 5100), 3)
	for _, n := range []disk.Sector{40000, 50000, 30000} {
		p := mustPlan(t, d, size(n))
		if lost := lostSectors(d, p); lost != nil {
			t.Errorf("%d sectors: %v", n, lost)
		}
		if c := mustCard(t, p, d); !bytes.Equal(sectorAt(c, 0), sectorAt(d, 0)) {
			t.Errorf("%d sectors: the container becomes another one", n)
		}
	}
}

// lostSectors returns source sectors that are in use, in or outside entries,
// and neither where they were nor told to be dropped or made new. It trusts the
// pieces alone.
func lostSectors(d image.Source, p *plan.Plan) disk.Spans {
	var there disk.Spans
	for _, q := range p.Pieces {
		if q.Op == layout.Copy && q.From == q.Start || q.Op == layout.Render || q.Op == layout.Copy &&
			q.Why == layout.WhyTailMoved {
			from := q.From
			if q.Op == layout.Render {
				from = q.Start
			}
			there = there.Add(disk.Span{Start: from, Count: q.Count})
		}
	}
	for _, x := range p.Dropped {
		there = there.Add(x.Span)
	}
	var lost disk.Spans
	for _, gone := range there.Outside(image.Whole(d)) {
		for x := gone.Start; x < gone.End(); x++ {
			b, err := image.ReadSectors(d, disk.Span{Start: x, Count: 1})
			if err != nil {
				continue
			}
			if _, blank := image.Blank(b); !blank {
				lost = lost.Add(disk.Span{Start: x, Count: 1})
			}
		}
	}
	return lost
}
