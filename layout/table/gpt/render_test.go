package gpt

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/table/mbr"
)

// equalTables compares every table sector of a disk with rendered ones.
func equalTables(t interface{ Fatalf(string, ...any) }, name string, d image.Source, r *Rendered) {
	for at, b := range r.Sectors() {
		want, err := image.ReadSectors(d, disk.Span{Start: at, Count: 1})
		if err != nil || !bytes.Equal(b, want) {
			t.Fatalf("%s: sector %d (%v)\n got % x\nwant % x", name, at, err, b, want)
		}
	}
}

// The rules of rendering give back what sfdisk wrote; Render does not get so
// far, it returns what was read.
func TestRenderSameSize(t *testing.T) {
	for _, name := range []string{"music.txt", "songs4k.txt"} {
		d := fixture(t, name)
		tab := mustRead(t, d)
		r, err := tab.render(tab.Sectors, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		equalTables(t, name, d, r)
		if n := len(r.Sectors()); disk.Sector(n) != 1+tab.Layout().Own.Sectors() {
			t.Errorf("%s: %d sectors", name, n)
		}
	}
}

// Both copies valid: the same bytes, even where they differ or lie apart.
func TestRenderSameSizeKeepsFaults(t *testing.T) {
	apart := usual(5000, 512, [2]uint64{100, 199})
	apart.sectors = 9000
	differ := edit(usual(5000, 512, [2]uint64{100, 199}), 4999, func(b []byte) { b[56]++; sign(b) })
	for name, d := range map[string]*imagetest.Disk{"apart": apart.disk(), "differ": differ} {
		tab := mustRead(t, d)
		r, err := tab.Render(tab.Sectors, nil, nil)
		if err != nil || len(r.Sectors()) != 67 {
			t.Fatalf("%s: %v", name, err)
		}
		equalTables(t, name, d, r)
	}
}

// One damaged copy is made from the other (EFI Specification 1.02, p. 312).
func TestRenderRepairs(t *testing.T) {
	for _, sectorSize := range []int{512, 4096} {
		s := usual(5000, sectorSize, [2]uint64{100, 199}, [2]uint64{300, 399})
		for _, at := range []disk.Sector{1, 2, 4999, 4998} {
			d := edit(s, at, func(b []byte) { b[0] ^= 1 })
			if at == 4998 {
				d = edit(s, s.second().arrayAt, func(b []byte) { b[0] ^= 1 })
			}
			tab := mustRead(t, d)
			r, err := tab.Render(5000, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			equalTables(t, "damaged copy", s.disk(), r)
		}
	}
}

// G09: on a larger disk the backup table moves to the new end and both headers
// follow (EFI Specification 1.02, p. 312). G08: so does the protective record.
func TestRenderLarger(t *testing.T) {
	for _, sectorSize := range []int{512, 4096} {
		s := usual(5000, sectorSize, [2]uint64{100, 199})
		want := usual(123456, sectorSize, [2]uint64{100, 199})
		r, err := mustRead(t, s.disk()).Render(123456, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		equalTables(t, "larger", want.disk(), r)
		if tab := mustRead(t, apply(r, 123456, sectorSize)); len(tab.Findings) != 0 || tab.Backup.At != 123455 {
			t.Errorf("second copy at %d, findings %v", tab.Backup.At, tab.Findings)
		}
	}
}

// Fits if and only if the last used sector is at most N-34 (EFI Specification
// 1.10, p. 11-9: 16,384 bytes are kept for the array), and the error names
// Usable sectors that cover the backup table, which Linux accepts, do not
// A backup table whose array follows its header, in the middle of a larger
// disk, has no distance from the end to keep. Neither has a hybrid record
// A protective record that begins beyond the new end is left alone.
func TestRenderProtectiveBeyondEnd(t *testing.T) {
	d := edit(usual(5000, 512, [2]uint64{100, 199}), 0, func(b []byte) { binary.LittleEndian.PutUint32(b[454:], 4500) })
	tab := mustRead(t, d)
	r, err := tab.Render(300, nil, nil)
	if err != nil || !bytes.Equal(r.Protective, tab.MBR.Bytes()) {
		t.Errorf("%v, %v", r, err)
	}
}

// An array of two sectors that lies far before its header moves nearer if it
// must, but not nearer than the 16,384 bytes that are kept for it (EFI
// Copies that differ become one on a disk of another size, and an entry
// changes on a disk of the same size.
func TestRenderFromCopyInForce(t *testing.T) {
	d := edit(usual(5000, 512, [2]uint64{100, 199}), 4999, func(b []byte) { binary.LittleEndian.PutUint64(b[40:], 40); sign(b) })
	tab := mustRead(t, d)
	for _, target := range []disk.Sector{5000, 6000} {
		r, err := tab.Render(target, nil, map[int]disk.Span{1: {Start: 100, Count: 50}})
		if err != nil {
			t.Fatal(err)
		}
		out := mustRead(t, apply(r, target, 512))
		if e := out.Layout().Entries; len(out.Findings) != 0 || out.Backup.Header.FirstUsable() != 34 || e[0].Count != 50 {
			t.Errorf("%d sectors: entries %v, findings %v", target, e, out.Findings)
		}
	}
}

// What the standard does not name is kept, in every copy its own.
func TestRenderKeepsUnnamedBytes(t *testing.T) {
	s := usual(5000, 512, [2]uint64{1000, 1999})
	s.headerSize, s.count, s.entrySize = 200, 5, 256
	d := s.disk()
	if _, err := d.WriteAt([]byte("old"), 512+500); err != nil { // behind the header
		t.Fatal(err)
	}
	if _, err := d.WriteAt([]byte("pad"), 2*512+5*256+10); err != nil { // behind the array
		t.Fatal(err)
	}
	if _, err := d.WriteAt([]byte("two"), 4999*512+500); err != nil {
		t.Fatal(err)
	}
	r, err := mustRead(t, d).Render(7000, nil, map[int]disk.Span{1: {Start: 1000, Count: 3000}})
	if err != nil {
		t.Fatal(err)
	}
	first, array, second := r.Primary[0].Bytes, r.Primary[1].Bytes, r.Backup[1].Bytes
	if string(first[500:503]) != "old" || string(second[500:503]) != "two" || !bytes.Equal(first[92:200], s.header(nil)[92:200]) {
		t.Error("header bytes that nobody names changed")
	}
	want := s.array()
	binary.LittleEndian.PutUint64(want[40:], 3999)
	if !bytes.Equal(array[:len(want)], want) || string(array[5*256+10:5*256+13]) != "pad" {
		t.Error("array bytes that nobody names changed")
	}
	if string(r.Protective[:9]) != "boot code" || !bytes.Equal(r.Protective[440:444], []byte{1, 2, 3, 4}) {
		t.Error("boot code or disk signature changed")
	}
	tab := mustRead(t, apply(r, 7000, 512))
	if c := codes(tab.Findings); len(c) != 1 || c["gpt-entry-size"] != 1 {
		t.Errorf("findings %v", tab.Findings)
	}
}

// Sector 0: only the size and the end tuple of the EE record follow the disk.
func TestRenderProtective(t *testing.T) {
	overflow := [3]byte{0xFF, 0xFF, 0xFF}
	for _, c := range []struct {
		name     string
		size     uint32
		end      [3]byte
		hybrid   bool
		target   disk.Sector
		wantSize uint32
		wantEnd  [3]byte
	}{
		{"G08: N-1", 4999, overflow, false, 9000, 8999, overflow},
		{"G08: FFFFFFFF stays", math.MaxUint32, overflow, false, 9000, math.MaxUint32, overflow},
		{"wrong size is put right", 777, overflow, false, 9000, 8999, overflow},
		{"M18: larger than 32 bits", 4999, overflow, false, 1 << 33, math.MaxUint32, overflow},
		// 4999 is 0/79/23 and 8999 is 0/142/54 in 255/63; 20,000,000 cannot be written.
		{"real tuple", 4999, [3]byte{79, 23, 0}, false, 9000, 8999, [3]byte{142, 54, 0}},
		{"real tuple, large disk", 4999, [3]byte{79, 23, 0}, false, 20000000, 19999999, overflow},
		{"tuple of nowhere", 4999, [3]byte{1, 2, 3}, false, 9000, 8999, overflow},
		{"right size, tuple stays", 8999, [3]byte{1, 2, 3}, false, 9000, 8999, [3]byte{1, 2, 3}},
		{"hybrid, not to the end", 99, overflow, true, 9000, 99, overflow},
		{"hybrid, to the end", 4999, overflow, true, 9000, 8999, overflow},
	} {
		s := usual(5000, 512, [2]uint64{100, 199})
		d := edit(s, 0, func(b []byte) {
			binary.LittleEndian.PutUint32(b[458:], c.size)
			copy(b[451:], c.end[:])
			if c.hybrid {
				copy(b[462:], []byte{0x80, 0, 0, 0, 0x0C, 0, 0, 0, 100, 0, 0, 0, 100})
			}
		})
		tab := mustRead(t, d)
		r, err := tab.Render(c.target, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		want, err := image.ReadSectors(d, disk.Span{Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		binary.LittleEndian.PutUint32(want[458:], c.wantSize)
		copy(want[451:], c.wantEnd[:])
		if !bytes.Equal(r.Protective, want) {
			t.Errorf("%s: record % x, want % x", c.name, r.Protective[446:478], want[446:478])
		}
		if _, err := mbr.Parse(r.Protective); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	d := edit(usual(5000, 512), 0, func(b []byte) { clear(b) })
	if r, err := mustRead(t, d).Render(9000, nil, nil); err != nil || r.Protective != nil {
		t.Errorf("a protective record was invented (%v)", err)
	}
}

func TestRenderEntryErrors(t *testing.T) {
	tab := mustRead(t, usual(5000, 512, [2]uint64{100, 199}, [2]uint64{300, 399}).disk())
	for name, changes := range map[string]map[int]disk.Span{
		"index 0":       {0: {Start: 100, Count: 1}},
		"unused":        {3: {Start: 100, Count: 1}},
		"index 129":     {129: {Start: 100, Count: 1}},
		"no sectors":    {1: {Start: 100}},
		"negative":      {1: {Start: -5, Count: 10}},
		"wraps":         {1: {Start: 100, Count: math.MaxInt64}},
		"first copy":    {1: {Start: 33, Count: 2}},
		"entry 2":       {1: {Start: 100, Count: 201}},
		"both to one":   {1: {Start: 500, Count: 10}, 2: {Start: 509, Count: 10}},
		"zero-length 2": {1: {Start: 500, Count: 10}, 2: {Start: 500, Count: -1}},
	} {
		r, err := tab.Render(6000, nil, changes)
		var e *EntryError
		if r != nil || !errors.As(err, &e) {
			t.Errorf("%s: %v", name, err)
		}
	}
	_, err := tab.Render(6000, nil, map[int]disk.Span{2: {Start: 300, Count: 5700}})
	var small *TooSmallError
	if !errors.As(err, &small) || small.Smallest != 6000+33 {
		t.Errorf("into the second copy: %v", err)
	}
	odd := usual(5000, 512)
	odd.arrayAt, odd.firstUsable = 100, 34
	r, err := mustRead(t, odd.disk()).Render(6000, nil, nil)
	var f *disk.FormatError
	if r != nil || !errors.As(err, &f) || f.Fault != disk.Unsupported {
		t.Errorf("array among the usable sectors: %v", err)
	}
}

// G10: new identifiers for the disk and every entry, and nothing else.
func TestRenderNewIDs(t *testing.T) {
	d := usual(5000, 512, [2]uint64{100, 199}, [2]uint64{300, 399}).disk()
	tab := mustRead(t, d)
	id := func(b byte) GUID { return GUID{0: b, 15: 0x99} }
	r, err := tab.Render(5000, &NewIDs{id(1), map[int]GUID{1: id(2), 2: id(3)}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := mustRead(t, apply(r, 5000, 512))
	if e := out.Entries(); out.DiskGUID() != id(1) || e[0].Unique != id(2) || e[1].Unique != id(3) || len(out.Findings) != 0 {
		t.Errorf("disk %s, entries %v %v, findings %v", out.DiskGUID(), e[0], e[1], out.Findings)
	}
	old, err := tab.Render(5000, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	changed := 0
	for at, b := range r.Sectors() {
		for i, v := range old.Sectors()[at] {
			if b[i] != v {
				changed++
			}
		}
	}
	if most := 2 * (16 + 2*16 + 4 + 4); changed == 0 || changed > most { // GUIDs and two CRCs in each copy
		t.Errorf("%d bytes changed, at most %d may", changed, most)
	}
	for name, ids := range map[string]*NewIDs{
		"zero disk":   {GUID{}, map[int]GUID{1: id(2), 2: id(3)}},
		"one missing": {id(1), map[int]GUID{1: id(2)}},
		"unused":      {id(1), map[int]GUID{1: id(2), 2: id(3), 3: id(4)}},
		"outside":     {id(1), map[int]GUID{1: id(2), 2: id(3), 500: id(4)}},
		"twice":       {id(1), map[int]GUID{1: id(2), 2: id(2)}},
		"the disk's":  {id(1), map[int]GUID{1: id(2), 2: id(1)}},
		"zero entry":  {id(1), map[int]GUID{1: {}, 2: id(1)}},
	} {
		if r, err := tab.Render(5000, ids, nil); err == nil || r != nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// Larger and back, and smaller and back, give the first bytes again.
func TestRenderAndBack(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := disk.Sector(rapid.IntRange(400, 1<<21).Draw(rt, "sectors"))
		s := usual(n, rapid.SampledFrom([]int{512, 1024, 2048, 4096}).Draw(rt, "sector size"))
		at := s.firstUsable
		for i := range rapid.IntRange(0, 128).Draw(rt, "entries") {
			if at+10 > s.lastUse {
				break
			}
			size := rapid.Uint64Range(1, 1+(s.lastUse-at)/4).Draw(rt, "size")
			if i%7 != 3 { // a gap
				s.entries = append(s.entries, [2]uint64{at, at + size - 1})
			}
			at += size
		}
		d := s.disk()
		tab := mustRead(t, d)
		target := disk.Sector(rapid.Int64Range(int64(n), 1<<31).Draw(rt, "target"))
		if rapid.Bool().Draw(rt, "smaller") {
			target = disk.Sector(rapid.Int64Range(int64(at)+34, int64(max(n, disk.Sector(at)+34))).Draw(rt, "target"))
		}
		r, err := tab.render(target, nil, nil)
		if err != nil {
			rt.Fatal(err)
		}
		other := mustRead(t, apply(r, target, s.sectorSize))
		if len(other.Findings) != 0 {
			rt.Fatalf("findings %v", other.Findings)
		}
		back, err := other.render(n, nil, nil)
		if err != nil {
			rt.Fatal(err)
		}
		equalTables(rt, "back", d, back)
		if len(back.Sectors()) != int(1+tab.Layout().Own.Sectors()) {
			rt.Fatalf("%d sectors come back", len(back.Sectors()))
		}
	})
}
