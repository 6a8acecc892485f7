package resize_test

import (
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// What cannot be is refused by a code of its own, with numbers.
func TestRefusals(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10)
	wide := lay(t, format.Options{Sectors: 40000, BytesPerSector: 2048, Kind: fat.FAT16, SectorsPerCluster: 1}, "A.WAV", 10)
	for _, c := range []struct {
		s    *small
		w    volume.Wishes
		code string
	}{
		{s, volume.Wishes{Mode: volume.Shrink, Sectors: 20001}, "shrink-not-smaller"},
		{s, volume.Wishes{Mode: volume.Shrink, Sectors: 15000, Room: 14000}, "volume-does-not-fit"},
		{s, volume.Wishes{Mode: volume.Shrink, Sectors: 100}, "volume-too-small"},
		{s, volume.Wishes{Mode: volume.Shrink, Sectors: -4}, "size-not-whole"},
		{s, volume.Wishes{Mode: volume.Grow, Sectors: 19999}, "grow-not-larger"},
		{s, volume.Wishes{Mode: volume.Grow, Room: 19000}, "volume-does-not-fit"},
		{s, volume.Wishes{Mode: volume.Grow, Room: 20003, Align: 4096}, "align-impossible"},
		{wide, volume.Wishes{Mode: volume.Shrink, Sectors: 100001}, "size-not-whole"},
		{wide, volume.Wishes{Align: 6}, "align-impossible"},
		{wide, volume.Wishes{Align: 2048, Base: 63}, "align-impossible"},
	} {
		v, tab := read(t, c.s)
		r := mustRefuse(t, v, tab, c.w, c.code)
		if !strings.Contains(r.Error(), c.code+": ") {
			t.Errorf("%v", r)
		}
	}
}

// A table that is just full: one cluster more would need a longer table, and
// three of those cost three clusters. As large as fits then stays in place,
// an explicit size names the two that are next to it.
func TestLongerTableCostsMore(t *testing.T) {
	s := sizedWith(t, format.Options{Kind: fat.FAT16, SectorsPerCluster: 1, FATs: 3}, 254+256*20)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Grow, Room: v.Sectors + 2}
	r := mustPlan(t, v, tab, w)
	if r.Shifted || r.Sectors != v.Sectors || !hasCode(r.Findings, "grow-capped") {
		t.Errorf("%+v", r)
	}
	w.Sectors = v.Sectors + 1
	text := mustRefuse(t, v, tab, w, "grow-costs-clusters").Error()
	if !strings.Contains(text, "gains") {
		t.Error(text)
	}
	w = volume.Wishes{Mode: volume.Grow, Room: v.Sectors + 4, Sectors: v.Sectors + 4}
	if r := mustPlan(t, v, tab, w); !r.Shifted {
		t.Errorf("%+v", r)
	}
	w.Sectors = 0
	if v2, _ := s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w))); v2.Clusters != v.Clusters+1 {
		t.Errorf("%d clusters, were %d", v2.Clusters, v.Clusters)
	}
}

// sizedWith makes a volume with exactly so many clusters.
func sizedWith(t *testing.T, o format.Options, clusters int64) *small {
	t.Helper()
	for o.Sectors = clusters * int64(o.SectorsPerCluster); ; o.Sectors++ {
		if g, err := o.Geometry(); err == nil && int64(g.Parts.Clusters) == clusters {
			return lay(t, o, "A.WAV", 3)
		} else if o.Sectors > 2*clusters*int64(o.SectorsPerCluster) {
			t.Fatalf("no volume of %d clusters", clusters)
		}
	}
}

// Sector 0 of a FAT32 volume that cannot be used is made from its backup; a
// backup that describes another volume is copied as it is.
func TestBootCopies(t *testing.T) {
	o := format.Options{Sectors: 80000, Kind: fat.FAT32, SectorsPerCluster: 1}
	s := lay(t, o, "A.WAV", 10)
	s.Put(0, make([]byte, 512))
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 75000}
	r := mustPlan(t, v, tab, w)
	v2, _ := s.Holds(t, onCard(t, s, r))
	if v2.BootSector != 0 || !hasCode(r.Findings, "boot-from-backup") {
		t.Errorf("read from sector %d, %+v", v2.BootSector, r.Findings)
	}

	s = lay(t, o, "A.WAV", 10)
	b, _ := image.ReadSectors(s, disk.Span{Start: 6, Count: 1})
	b[13] = 8
	s.Put(6, b)
	v, tab = read(t, s)
	r = mustPlan(t, v, tab, w)
	card := onCard(t, s, r)
	s.Holds(t, card)
	if kept, _ := image.ReadSectors(card, disk.Span{Start: 6, Count: 1}); string(kept) != string(b) || !hasCode(r.Findings, "boot-copy-left") {
		t.Errorf("%+v", r.Findings)
	}

	bad := &imagetest.Faulty{Source: s, Bad: disk.NewSpans(disk.Span{Start: 6, Count: 1})}
	v, tab = read(t, bad)
	if r = mustPlan(t, v, tab, w); !hasCode(r.Findings, "boot-copy-left") {
		t.Errorf("%+v", r.Findings)
	}
}

// A volume that ends before its file is refused if what is gone is in use.
func TestCutOff(t *testing.T) {
	s := lay(t, fat16, "-GAP", 6000, "A.WAV", 10)
	cut := func(n disk.Sector) image.Source { return image.NewWindow(s, disk.Span{Count: n}) }
	v, tab := read(t, cut(15000))
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 14000}
	mustRefuse(t, v, tab, w, "fat-cut-off")
	w.Accept = accept("fat-cut-off")
	s.Holds(t, onCard(t, cut(15000), mustPlan(t, v, tab, w)))
	v, tab = read(t, cut(12010))
	mustRefuse(t, v, tab, w, "fat-cut-off")
}

// Sectors of 4096 bytes, on a disk that has them.
func TestLargeSectors(t *testing.T) {
	d := imagetest.New(30000, 4096)
	v, err := format.New(d, format.Options{Sectors: 30000, BytesPerSector: 4096, Kind: fat.FAT16, SectorsPerCluster: 1})
	if err != nil {
		t.Fatal(err)
	}
	for i, n := range []int64{20000, 300} {
		if err := v.Add([]string{"GAP", "A.WAV"}[i], nil, n*4096, format.File{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Remove("GAP"); err != nil {
		t.Fatal(err)
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	s := &small{d, map[string][]byte{"A.WAV": make([]byte, 300*4096)}}
	fv, tab := read(t, d)
	for _, w := range []volume.Wishes{{Mode: volume.Shrink, Sectors: 15000}, {Mode: volume.Grow, Room: 35000}} {
		r := mustPlan(t, fv, tab, w)
		v2, _ := s.Holds(t, onCard(t, d, r))
		if v2.Sectors != max(w.Sectors, w.Room) {
			t.Errorf("%d sectors", v2.Sectors)
		}
	}
}
