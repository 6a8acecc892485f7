package mbr

import (
	"bytes"
	"errors"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// apply returns a copy of the disk, of the given size, with sectors changed.
func apply(t testing.TB, d image.Source, sectors disk.Sector, changed map[disk.Sector][]byte) *imagetest.Disk {
	t.Helper()
	out := imagetest.New(sectors, d.SectorSize())
	tab, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range tab.Own() {
		b, err := image.ReadSectors(d, s)
		if err != nil {
			t.Fatal(err)
		}
		out.Put(s.Start, b)
	}
	for at, b := range changed {
		out.Put(at, b)
	}
	return out
}

// The bytes that must change, by hand, on the chain that sfdisk wrote.
func TestResizeBytes(t *testing.T) {
	d := fixture(t, "chain.txt")
	tab := mustRead(t, d)
	type change struct {
		at   disk.Sector
		off  int
		want []byte
	}
	for _, c := range []struct {
		name    string
		changes map[int]disk.Sector
		want    []change
	}{
		{"nothing", map[int]disk.Sector{1: 40257, 6: 300000}, nil},
		// 63+16065-1 = 16127 = 1/0/63 in 255/63 (libfdisk, src/dos.c).
		{"primary", map[int]disk.Sector{1: 16065}, []change{{0, 446 + 5, []byte{0, 63, 1}}, {0, 446 + 12, []byte{0xC1, 0x3E, 0, 0}}}},
		// Volume 260,000+100,000 ends at 359,999 = 22/104/18; its link is one longer.
		{"last logical", map[int]disk.Sector{6: 100000}, []change{
			{259999, 446 + 5, []byte{104, 18, 22}}, {259999, 446 + 12, []byte{0xA0, 0x86, 1, 0}},
			{40320, 446 + 16 + 5, []byte{104, 18, 22}}, {40320, 446 + 16 + 12, []byte{0xA1, 0x86, 1, 0}}}},
		// The first volume of a chain has no link that covers it. 40,383 +
		// 199,680 - 1 = 240,062 = 14/240/33.
		{"first logical", map[int]disk.Sector{5: 199680}, []change{
			{40320, 446 + 5, []byte{240, 33, 14}}, {40320, 446 + 12, []byte{0, 0x0C, 3, 0}}}},
		// 40,320+519,680 = 560,000: just behind volume 6; 559,999 = 34/218/56.
		{"container", map[int]disk.Sector{2: 519680}, []change{
			{0, 446 + 16 + 5, []byte{218, 56, 34}}, {0, 446 + 16 + 12, []byte{0, 0xEE, 7, 0}}}},
	} {
		got, findings, err := tab.Resize(c.changes)
		if err != nil || len(findings) != 0 {
			t.Errorf("%s: %v, %v", c.name, err, findings)
			continue
		}
		want := map[disk.Sector][]byte{}
		for _, w := range c.want {
			if want[w.at] == nil {
				want[w.at], _ = image.ReadSectors(d, disk.Span{Start: w.at, Count: 1})
			}
			copy(want[w.at][w.off:], w.want)
		}
		if len(got) != len(want) {
			t.Errorf("%s: %d sectors change, want %d", c.name, len(got), len(want))
		}
		for at, b := range want {
			if !bytes.Equal(got[at], b) {
				t.Errorf("%s: sector %d\n got % x\nwant % x", c.name, at, got[at][446:], b[446:])
			}
		}
	}
	if again := mustRead(t, d); !bytes.Equal(again.Boot.Bytes(), tab.Boot.Bytes()) {
		t.Error("Resize changed the table itself")
	}
}

func TestResizeRefuses(t *testing.T) {
	chain := mustRead(t, fixture(t, "chain.txt"))
	for _, c := range []struct {
		name    string
		changes map[int]disk.Sector
		index   int
	}{
		{"no such entry", map[int]disk.Sector{3: 100}, 3},
		{"no sectors", map[int]disk.Sector{1: 0}, 1},
		{"negative", map[int]disk.Sector{1: -1}, 1},
		{"M18: wider than 32 bits", map[int]disk.Sector{6: 1 << 32}, 6},
		{"largest number", map[int]disk.Sector{6: 1<<63 - 1}, 6},
		{"into the container", map[int]disk.Sector{1: 40258}, 1},
		{"into the next volume", map[int]disk.Sector{5: 219618}, 5},
		{"container before the end of a volume", map[int]disk.Sector{2: 519679}, 6},
		{"volume out of its container", map[int]disk.Sector{6: 700000}, 6},
	} {
		got, _, err := chain.Resize(c.changes)
		var r *ResizeError
		if got != nil || !errors.As(err, &r) || r.Index != c.index {
			t.Errorf("%s: %v, want an error about entry %d", c.name, err, c.index)
		}
	}
	// Container and volume together: each alone would be refused.
	if _, _, err := chain.Resize(map[int]disk.Sector{2: 419680, 6: 200000}); err != nil {
		t.Errorf("container and volume together: %v", err)
	}
	if _, _, err := chain.Resize(map[int]disk.Sector{2: 1<<32 - 1}); err != nil {
		t.Errorf("M18: 4,294,967,295 sectors are the most that fit: %v", err)
	}
}

// A container may be cut though the last link is longer than its volume: the
// link is cut with it.
func TestResizeCutsLongLink(t *testing.T) {
	d := container(rec{typ: 0x83, start: 1, count: 50}, rec{slot: 1, typ: 0x05, start: 400, count: 400})
	putRecords(d, 500, rec{typ: 0x83, start: 1, count: 99})
	got, _, err := mustRead(t, d).Resize(map[int]disk.Sector{2: 500})
	if err != nil || len(got) != 2 {
		t.Fatalf("%d sectors, %v", len(got), err)
	}
	tab := mustRead(t, apply(t, d, 600, got))
	if l := tab.chain[0].sector.Record(1); l.Count != 100 || len(tab.Findings) != 0 {
		t.Errorf("link %+v, findings %v", l, tab.Findings)
	}
}

// An overlap that was there is no reason to refuse.
func TestResizeKeepsOverlap(t *testing.T) {
	d := imagetest.New(1000, 512)
	putRecords(d, 0, rec{typ: 0x06, start: 100, count: 200}, rec{slot: 1, typ: 0x06, start: 150, count: 50})
	if got, _, err := mustRead(t, d).Resize(map[int]disk.Sector{1: 150}); err != nil || len(got) != 1 {
		t.Errorf("%d sectors, %v", len(got), err)
	}
}

// A volume may have 2^32-1 sectors, but then the link that covers it and its
// boot record has one too many.
func TestResizeLinkTooWide(t *testing.T) {
	d := imagetest.New(5_000_000_000, 512)
	putRecords(d, 0, rec{slot: 1, typ: 0x05, start: 100, count: 1<<32 - 1})
	putRecords(d, 100, rec{slot: 1, typ: 0x05, start: 10, count: 51})
	putRecords(d, 110, rec{typ: 0x83, start: 1, count: 1<<32 - 1})
	tab := mustRead(t, d) // the volume is not inside its container, which may be so
	got, _, err := tab.Resize(map[int]disk.Sector{5: 1<<32 - 2})
	if err != nil || len(got) != 2 {
		t.Errorf("%d sectors, %v", len(got), err)
	}
	putRecords(d, 110, rec{typ: 0x83, start: 1, count: 1<<32 - 2})
	var r *ResizeError
	if _, _, err := mustRead(t, d).Resize(map[int]disk.Sector{5: 1<<32 - 1}); !errors.As(err, &r) {
		t.Errorf("a link of 2^32 sectors: %v", err)
	}
}

// What the end tuple becomes.
func TestResizeEndCHS(t *testing.T) {
	small := Geometry{4, 32}
	for _, c := range []struct {
		name     string
		geo      Geometry
		end      CHS // written over the end tuple if not zero
		count    disk.Sector
		want     CHS
		findings int
	}{
		{"own geometry", small, CHS{}, 5000, CHS{39, 1, 8}, 0},
		{"beyond cylinder 1023", small, CHS{}, 20000000, CHS{1023, 3, 32}, 0},
		{"overflow stays", small, Overflow255, 20000000, Overflow255, 0},
		{"no geometry", assist255, CHS{77, 3, 9}, 5000, Overflow254, 1},
		{"no geometry, overflow stays", Geometry{}, Overflow255, 5000, Overflow255, 0},
		{"zero stays zero", Geometry{}, CHS{}, 5000, CHS{}, 0},
	} {
		d := imagetest.New(39070080, 512)
		putRecords(d, 0, rec{typ: 0x06, start: 32, count: 62688, geo: c.geo},
			rec{slot: 2, typ: 0x06, start: 30000000, count: 100})
		if c.geo == small {
			putRecords(d, 0, rec{typ: 0x06, start: 32, count: 62688, geo: c.geo}, rec{slot: 1, typ: 0x06, start: 25000000, count: 100},
				rec{slot: 2, typ: 0x06, start: 30000000, count: 100, geo: c.geo})
		}
		b := mustRead(t, d).Boot
		if c.end != (CHS{}) {
			b.SetEndCHS(0, c.end)
		}
		d.Put(0, b.Bytes())
		got, findings, err := mustRead(t, d).Resize(map[int]disk.Sector{1: c.count})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		s, err := Parse(got[0])
		if err != nil || s.Record(0).EndCHS != c.want || len(findings) != c.findings {
			t.Errorf("%s: %v, want %v; findings %v; %v", c.name, s.Record(0).EndCHS, c.want, findings, err)
		}
		if n := codes(findings)[string(disk.CHSGeometryUnknown)]; n != c.findings {
			t.Errorf("%s: %d findings say that the geometry is not known, want %d: %v", c.name, n, c.findings, findings)
		}
	}
}

func TestResizeWarnsBeyond32Bits(t *testing.T) {
	d := imagetest.New(6_000_000_000, 512)
	putRecords(d, 0, rec{typ: 0x07, start: 2048, count: 1000})
	_, findings, err := mustRead(t, d).Resize(map[int]disk.Sector{1: 1<<32 - 1})
	if err != nil || codes(findings)["end-beyond-32-bit"] != 1 {
		t.Errorf("%v, %v", findings, err)
	}
}

// Shorter and back gives the first bytes again, and never a finding that the
// table did not have, whatever the table.
func TestResizeAndBack(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d, shorter, before := drawTable(rt)
		tab := mustRead(t, d)
		small, _, err := tab.Resize(shorter)
		if err != nil {
			rt.Fatal(err)
		}
		d2 := apply(t, d, image.Sectors(d), small)
		tab2 := mustRead(t, d2)
		if len(tab2.Findings) != 0 {
			rt.Fatalf("findings after shortening: %v", tab2.Findings)
		}
		for _, e := range tab2.Entries() {
			if want, ok := shorter[e.Index]; ok && e.Count != want {
				rt.Fatalf("entry %d has %d sectors, want %d", e.Index, e.Count, want)
			}
		}
		back, _, err := tab2.Resize(before)
		if err != nil {
			rt.Fatal(err)
		}
		d3 := apply(t, d2, image.Sectors(d), back)
		for _, s := range tab.Own() {
			a, _ := image.ReadSectors(d, s)
			b, _ := image.ReadSectors(d3, s)
			if !bytes.Equal(a, b) {
				rt.Fatalf("sector %d\nwas % x\nnow % x", s.Start, a[440:], b[440:])
			}
		}
	})
}

// drawTable draws a good table, shorter counts for some of its entries, and
// the counts that those have.
func drawTable(rt *rapid.T) (d *imagetest.Disk, shorter, before map[int]disk.Sector) {
	g := rapid.SampledFrom([]Geometry{{16, 63}, {255, 63}, {64, 32}, {4, 32}}).Draw(rt, "geometry")
	size := disk.Sector(40000000)
	d = imagetest.New(size, rapid.SampledFrom([]int{512, 4096}).Draw(rt, "sector size"))
	n := rapid.IntRange(0, 20).Draw(rt, "logical volumes")
	at := uint32(g.SectorsPerTrack)
	grow := func(name string) uint32 { return rapid.Uint32Range(300, 60000).Draw(rt, name) }
	shorter, before = map[int]disk.Sector{}, map[int]disk.Sector{}
	cut := func(index int, count uint32) {
		before[index] = disk.Sector(count)
		shorter[index] = disk.Sector(rapid.Uint32Range(1, count).Draw(rt, "shorter"))
	}
	first := grow("primary")
	primary := rec{boot: 0x80, typ: 0x06, start: at, count: first, geo: g}
	second := rec{slot: 2, typ: 0x83, start: at + first, count: 3000, geo: g}
	cut(1, first)
	at += first + 3000
	box := rec{slot: 1, typ: 0x0F, start: at, geo: g}
	type volume struct{ ebr, start, count uint32 }
	var vols []volume
	for i := range n {
		v := volume{ebr: at, start: rapid.Uint32Range(1, 64).Draw(rt, "gap"), count: grow("logical")}
		vols = append(vols, v)
		cut(5+i, v.count)
		at += v.start + v.count + rapid.Uint32Range(0, 100).Draw(rt, "after")
	}
	if n == 0 {
		putRecords(d, 0, primary, second)
		return d, shorter, before
	}
	box.count = at - box.start
	putRecords(d, 0, primary, second, box)
	for i, v := range vols {
		records := []rec{{typ: 0x83, start: v.start, count: v.count, base: disk.Sector(v.ebr), geo: g}}
		if i+1 < n {
			w := vols[i+1]
			records = append(records, rec{slot: 1, typ: 0x05, start: w.ebr - box.start, count: w.start + w.count, base: disk.Sector(box.start), geo: g})
		}
		putRecords(d, disk.Sector(v.ebr), records...)
	}
	return d, shorter, before
}
