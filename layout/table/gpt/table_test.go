package gpt

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"math"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
)

// Bytes A: the header of a real disk, as printed in a public question about
// GPT CRCs. G03, G04.
func TestWorkedBytesA(t *testing.T) {
	b, err := hex.DecodeString("4546492050415254" + "00000100" + "5c000000" + "f88f250d" + "00000000" + "0100000000000000" + "ffff3f0000000000" +
		"0008000000000000" + "deff3f0000000000" + "a14b7cdfca02954c9816bbf073d3c80c" + "0200000000000000" + "80000000" + "80000000" + "86d254ab")
	if err != nil {
		t.Fatal(err)
	}
	h := &Header{append(b, make([]byte, 512-len(b))...)}
	if h.CRC() != 0x0D258FF8 || h.checksum() != 0x0D258FF8 { // G03
		t.Errorf("CRC %08X, computed %08X, want 0D258FF8", h.CRC(), h.checksum())
	}
	if got := crc32.ChecksumIEEE(make([]byte, 16384)); got != 0xAB54D286 || h.ArrayCRC() != got { // G04
		t.Errorf("CRC of an empty array %08X, want AB54D286", got)
	}
	if h.Size() != 92 || h.Count() != 128 || h.EntrySize() != 128 { // G01: EFI Specification 1.02
		t.Errorf("sizes %d, %d, %d", h.Size(), h.Count(), h.EntrySize())
	}
	d := imagetest.New(0x400000, 512)
	d.Put(1, h.raw)
	tab := mustRead(t, d)
	if tab.DiskGUID().String() != "DF7C4BA1-02CA-4C95-9816-BBF073D3C80C" || len(tab.Layout().Entries) != 0 {
		t.Errorf("disk %s, entries %v", tab.DiskGUID(), tab.Layout().Entries)
	}
}

// Bytes B: worked by hand from the fields of EFI Specification 1.02. G05,
// G02 (34 and N-34), G07 and G08 for the protective record.
func TestWorkedBytesB(t *testing.T) {
	s := usual(15523840, 512, [2]uint64{8192, 15523806})
	if s.firstUsable != 34 || s.lastUse != 15523840-34 { // G02: EFI Specification 1.10
		t.Errorf("usable %d to %d", s.firstUsable, s.lastUse)
	}
	d := s.disk()
	for _, c := range []spec{s, s.second()} {
		a := c.array()
		copy(a[16:], entryID[:])
		d.Put(c.arrayAt, a)
		d.Put(disk.Sector(c.my), c.header(a))
	}
	tab := mustRead(t, d)
	if len(tab.Findings) != 0 {
		t.Errorf("findings %v", tab.Findings)
	}
	if got := [3]uint32{tab.Primary.Header.ArrayCRC(), tab.Primary.Header.CRC(), tab.Backup.Header.CRC()}; got != [3]uint32{0xE6BEB58B, 0x406B6CD0, 0x4B88EE57} {
		t.Errorf("CRCs %08X", got)
	}
	r, err := tab.render(15523840, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := hex.EncodeToString(r.Protective[446:462]), "00000200eeffffff01000000ffdfec00"; got != want {
		t.Errorf("protective record %s, want %s", got, want)
	}
	if got, want := hex.EncodeToString(r.Primary[1].Bytes[:48]), "a2a0d0ebe5b9334487c068b6b72699c767452301ab89efcd0123456789abcdef0020000000000000dedfec0000000000"; got != want {
		t.Errorf("entry %s, want %s", got, want)
	}
}

// Bytes C: written by sfdisk of util-linux 2.38.1. G06.
func TestWorkedBytesC(t *testing.T) {
	tab := mustRead(t, fixture(t, "music.txt"))
	if len(tab.Findings) != 0 {
		t.Errorf("findings %v", tab.Findings)
	}
	if got := [3]uint32{tab.Primary.Header.CRC(), tab.Backup.Header.CRC(), tab.Primary.Header.ArrayCRC()}; got != [3]uint32{0xABB1ED7F, 0x45EB8ADE, 0xBEF18DFC} {
		t.Errorf("CRCs %08X", got)
	}
	l := tab.Layout()
	want := layout.Entry{Span: disk.Span{Start: 2048, Count: 50000}, Index: 1, Type: basicData.String(), TypeName: "basic data", Name: "MUSIC", Table: 2}
	if len(l.Entries) != 1 || l.Entries[0] != want {
		t.Errorf("entries %+v, want %+v", l.Entries, want)
	}
	if l.Kind != "gpt" || l.Ends != 100000 || l.SectorSize != 512 || l.Own.Sectors() != 66 || l.Own.Holds(0) {
		t.Errorf("table %+v", l)
	}
	if f, s := tab.primarySpans(), tab.backupSpans(); f[0] != disk.Between(1, 34) || s[0] != disk.Between(99967, 100000) {
		t.Errorf("copies %v and %v", f, s)
	}
}

func TestFourKiBSectors(t *testing.T) {
	tab := mustRead(t, fixture(t, "songs4k.txt"))
	e := tab.Layout().Entries
	if len(e) != 2 || e[1].Span != (disk.Span{Start: 30000, Count: 19994}) || e[1].Name != "Größe" || e[1].Table != 2 || e[1].Offset != 128 {
		t.Errorf("entries %+v", e)
	}
	if tab.Primary.Header.FirstUsable() != 6 || len(tab.Findings) != 0 { // EFI Specification 1.10: 16,384 bytes are kept for the array
		t.Errorf("first usable %d, findings %v", tab.Primary.Header.FirstUsable(), tab.Findings)
	}
}

// edit returns a disk of the usual spec with a sector changed.
func edit(s spec, at disk.Sector, change func([]byte)) *imagetest.Disk {
	d := s.disk()
	b := make([]byte, s.sectorSize)
	if _, err := d.ReadAt(b, int64(at)*int64(s.sectorSize)); err != nil {
		panic(err)
	}
	change(b)
	d.Put(at, b)
	return d
}

func TestDamagedCopies(t *testing.T) {
	const n = 5000
	s := usual(n, 512, [2]uint64{100, 199}, [2]uint64{200, 999})
	u32 := binary.LittleEndian.PutUint32
	u64 := binary.LittleEndian.PutUint64
	wipe := func(b []byte) { clear(b) }
	flip := func(b []byte) { b[60] ^= 1 }
	for _, c := range []struct {
		name   string
		at     disk.Sector
		change func([]byte)
		want   string
	}{
		{"whole", 3, func([]byte) {}, ""},
		{"first header gone", 1, wipe, "gpt-first-copy-damaged"},
		{"first header flipped", 1, flip, "gpt-first-copy-damaged"},
		{"first array flipped", 2, flip, "gpt-first-copy-damaged"},
		{"second header gone", n - 1, wipe, "gpt-second-copy-missing"},
		{"second header flipped", n - 1, flip, "gpt-second-copy-damaged"},
		{"second array flipped", n - 33, flip, "gpt-second-copy-damaged"},
		{"other disk GUID", n - 1, func(b []byte) { b[56]++; sign(b) }, "gpt-copies-differ"},
		{"first names itself", 1, func(b []byte) { u64(b[32:], 1); sign(b) }, "gpt-copies-differ"},
		{"first names another sector", 1, func(b []byte) { u64(b[32:], 4000); sign(b) }, "gpt-copies-differ"},
		{"second names another sector", n - 1, func(b []byte) { u64(b[32:], 2); sign(b) }, "gpt-copies-differ"},
		{"no EE record", 0, func(b []byte) { b[450] = 0x83 }, "protective-mbr-missing"},
		{"no boot record", 0, wipe, "protective-mbr-missing"},
		{"boot flag", 0, func(b []byte) { b[446+16] = 1 }, "protective-mbr-missing"},
		{"G08: N-1", 0, func(b []byte) { u32(b[458:], n-1) }, ""},
		{"G08: FFFFFFFF", 0, func(b []byte) { u32(b[458:], math.MaxUint32) }, ""},
		{"G08: another size", 0, func(b []byte) { u32(b[458:], n-2) }, "protective-mbr-size"},
		{"hybrid", 0, func(b []byte) { copy(b[462:], []byte{0, 0, 0, 0, 0x0C, 0, 0, 0, 100, 0, 0, 0, 100}) }, "hybrid-mbr"},
		// Rules of Linux, block/partitions/efi.c; the CRCs are right.
		{"header size 91", 1, func(b []byte) { u32(b[12:], 91); sign(b) }, "gpt-first-copy-damaged"},
		{"header size 513", 1, func(b []byte) { u32(b[12:], 513) }, "gpt-first-copy-damaged"},
		{"header size 512", 1, func(b []byte) { u32(b[12:], 512); sign(b) }, ""},
		{"another MyLBA", 1, func(b []byte) { u64(b[24:], 2); sign(b) }, "gpt-first-copy-damaged"},
		{"G11: LastUsable is N", 1, func(b []byte) { u64(b[48:], n); sign(b) }, "gpt-first-copy-damaged"},
		{"G11: LastUsable is N-1", n - 1, func(b []byte) { u64(b[48:], n-1); sign(b) }, "gpt-copies-differ"},
		{"usable backwards", 1, func(b []byte) { u64(b[40:], n-30); sign(b) }, "gpt-first-copy-damaged"},
		{"array past the end", 1, func(b []byte) { u64(b[72:], n-31); sign(b) }, "gpt-first-copy-damaged"},
		{"array beyond 2^63", 1, func(b []byte) { u64(b[72:], math.MaxUint64-15); sign(b) }, "gpt-first-copy-damaged"},
		{"array over its header", 1, func(b []byte) { u64(b[72:], 1); sign(b) }, "gpt-first-copy-damaged"},
		// Nothing is allocated for these.
		{"count 2^32-1", 1, func(b []byte) { u32(b[80:], math.MaxUint32); sign(b) }, "gpt-first-copy-damaged"},
		{"count and size 2^32-1", 1, func(b []byte) { u32(b[80:], math.MaxUint32); u32(b[84:], math.MaxUint32); sign(b) }, "gpt-first-copy-damaged"},
		{"size 2^31", 1, func(b []byte) { u32(b[84:], 1<<31); sign(b) }, "gpt-first-copy-damaged"},
		{"size 136", 1, func(b []byte) { u32(b[84:], 136); sign(b) }, "gpt-first-copy-damaged"},
		{"size 64", 1, func(b []byte) { u32(b[84:], 64); sign(b) }, "gpt-first-copy-damaged"},
		{"count 0", 1, func(b []byte) { u32(b[80:], 0); sign(b) }, "gpt-first-copy-damaged"},
	} {
		tab, err := Read(edit(s, c.at, c.change))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for _, copy := range []*Copy{tab.Primary, tab.Backup} {
			var f *disk.FormatError
			if !copy.Valid() && !errors.As(copy.Fault, &f) {
				t.Errorf("%s: %v is found by reading, not by checking", c.name, copy.Fault)
			}
		}
		got := codes(tab.Findings)
		if c.want == "" && len(got) != 0 || c.want != "" && (len(got) != 1 || got[c.want] != 1) {
			t.Errorf("%s: findings %v, want %q", c.name, tab.Findings, c.want)
		}
		if e := tab.Layout().Entries; len(e) != 2 || e[1].Span != disk.Between(200, 1000) {
			t.Errorf("%s: entries %+v", c.name, e)
		}
		if (tab.InForce == tab.Backup) != (c.want == "gpt-first-copy-damaged") {
			t.Errorf("%s: the wrong copy is in force", c.name)
		}
	}
}

// A card larger than the image that was written to it: the backup table is
// found in the middle of the card, whatever is left of the first one.
func TestSecondCopyNotAtEnd(t *testing.T) {
	s := usual(5000, 512, [2]uint64{100, 199})
	s.sectors = 9000
	medium := errors.New("medium error")
	for name, damage := range map[string]func(*imagetest.Disk) *imagetest.Faulty{
		"whole":               func(d *imagetest.Disk) *imagetest.Faulty { return &imagetest.Faulty{Source: d} },
		"first array flipped": func(d *imagetest.Disk) *imagetest.Faulty { d.Put(3, []byte("x")); return &imagetest.Faulty{Source: d} },
		"first header flipped": func(d *imagetest.Disk) *imagetest.Faulty {
			if _, err := d.WriteAt([]byte{9}, 512+60); err != nil {
				t.Fatal(err)
			}
			return &imagetest.Faulty{Source: d}
		},
		"sector 1 unreadable": func(d *imagetest.Disk) *imagetest.Faulty {
			return &imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: 1, Count: 1}}, Err: medium}
		},
	} {
		d := s.disk()
		b := make([]byte, 512)
		copy(b[446:], protectiveRecord(4999))
		b[510], b[511] = 0x55, 0xAA
		d.Put(0, b)
		tab, err := Read(damage(d))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		c := codes(tab.Findings)
		if tab.Backup.At != 4999 || !tab.Backup.Valid() || c["gpt-second-copy-not-at-end"] != 1 || c["protective-mbr-size"] != 1 {
			t.Errorf("%s: second copy at %d, findings %v", name, tab.Backup.At, c)
		}
		if tab.Primary.Valid() != (name == "whole") || tab.Layout().Ends != 5000 {
			t.Errorf("%s: first copy valid %v, ends %d", name, tab.Primary.Valid(), tab.Layout().Ends)
		}
	}
}

// A broken backup table at the end counts for more than a blank sector where
// the primary table says it is.
func TestBrokenSecondCopyElsewhere(t *testing.T) {
	d := edit(usual(5000, 512, [2]uint64{100, 199}), 1, func(b []byte) { binary.LittleEndian.PutUint64(b[32:], 4000); sign(b) })
	if _, err := d.WriteAt([]byte{9}, 4999*512+60); err != nil {
		t.Fatal(err)
	}
	tab := mustRead(t, d)
	if c := codes(tab.Findings); len(c) != 1 || c["gpt-second-copy-damaged"] != 1 || tab.Backup.At != 4999 {
		t.Errorf("second copy at %d, findings %v", tab.Backup.At, tab.Findings)
	}
}

func TestUnreadableSectors(t *testing.T) {
	s := usual(5000, 512, [2]uint64{100, 199})
	medium := errors.New("medium error")
	for _, c := range []struct {
		bad  disk.Span
		want string
	}{
		{disk.Span{Start: 1, Count: 1}, "gpt-first-copy-damaged"},
		{disk.Span{Start: 2, Count: 5}, "gpt-first-copy-damaged"},
		{disk.Span{Start: 4999, Count: 1}, "gpt-second-copy-damaged"},
		{disk.Span{Start: 4990, Count: 2}, "gpt-second-copy-damaged"},
		{disk.Span{Start: 0, Count: 1}, "protective-mbr-missing"},
	} {
		tab, err := Read(&imagetest.Faulty{Source: s.disk(), Bad: disk.Spans{c.bad}, Err: medium})
		if err != nil || len(tab.Findings) != 1 || string(tab.Findings[0].Code) != c.want {
			t.Errorf("%s unreadable: %v, %v, want %s", c.bad, tab, err, c.want)
		}
	}
}

func TestNoTable(t *testing.T) {
	const n = 5000
	medium := errors.New("medium error")
	is := func(want disk.Fault) func(error) bool {
		return func(err error) bool {
			var f *disk.FormatError
			return errors.As(err, &f) && f.Fault == want
		}
	}
	unread := func(err error) bool { return errors.Is(err, medium) }
	protected := imagetest.New(n, 512)
	b := make([]byte, 512)
	copy(b[446:], protectiveRecord(n-1))
	b[510], b[511] = 0x55, 0xAA
	protected.Put(0, b)
	broken := edit(usual(n, 512), 1, func(b []byte) { b[60]++ })
	broken.Put(n-1, make([]byte, 512))
	old := usual(n, 512)
	old.entrySize = 136
	bad := func(d *imagetest.Disk, at ...disk.Sector) *imagetest.Faulty {
		f := &imagetest.Faulty{Source: d, Err: medium}
		for _, x := range at {
			f.Bad = f.Bad.Add(disk.Span{Start: x, Count: 1})
		}
		return f
	}
	for _, c := range []struct {
		name string
		d    *imagetest.Faulty
		want func(error) bool
	}{
		{"blank", bad(imagetest.New(n, 512)), is(disk.Absent)},
		{"no room", bad(imagetest.New(2, 512)), is(disk.Absent)},
		{"no sector", bad(imagetest.New(0, 512)), is(disk.Absent)},
		{"protective record alone", bad(protected), is(disk.Malformed)},
		{"both broken", bad(broken), is(disk.Malformed)},
		{"entries of 136 bytes", bad(old.disk()), is(disk.Unsupported)},
		{"blank, last sector unreadable", bad(imagetest.New(n, 512), n-1), is(disk.Absent)},
		{"both headers unreadable", bad(usual(n, 512).disk(), 1, n-1), unread},
		{"protective record, last sector unreadable", bad(protected, n-1), unread},
	} {
		tab, err := Read(c.d)
		if tab != nil || err == nil || !c.want(err) {
			t.Errorf("%s: %v, %v", c.name, tab, err)
		}
	}
}

func TestEntryFindings(t *testing.T) {
	const n = 5000
	for _, c := range []struct {
		name    string
		entries [][2]uint64
		want    string
		listed  int
	}{
		{"touching", [][2]uint64{{100, 199}, {200, 200}}, "", 2},
		{"to the last usable sector", [][2]uint64{{34, n - 34}}, "", 1},
		{"one more", [][2]uint64{{34, n - 33}}, "entry-outside-usable", 1},
		{"over the first copy", [][2]uint64{{33, 100}}, "entry-outside-usable", 1},
		{"past the end", [][2]uint64{{100, n}}, "entry-past-end", 1},
		{"overlapping", [][2]uint64{{200, 300}, {100, 200}}, "entries-overlap", 2},
		{"backwards", [][2]uint64{{200, 198}}, "entry-backwards", 0},
		{"2^64-1", [][2]uint64{{0, math.MaxUint64}}, "entry-backwards", 0},
		{"2^63-1", [][2]uint64{{math.MaxInt64, math.MaxInt64}}, "entry-backwards", 0},
		{"2^63-2", [][2]uint64{{0, math.MaxInt64 - 1}}, "entry-past-end", 1},
	} {
		tab := mustRead(t, usual(n, 512, c.entries...).disk())
		got := codes(tab.Findings)
		if c.want == "" && len(got) != 0 || c.want != "" && (len(got) != 1 || got[c.want] != 1) || len(tab.Layout().Entries) != c.listed {
			t.Errorf("%s: findings %v, want %q; entries %v", c.name, tab.Findings, c.want, tab.Layout().Entries)
		}
	}
}

// Entries of 256 and 4096 bytes are allowed (128 x 2^n, current UEFI text).
func TestLargeEntries(t *testing.T) {
	for _, size := range []uint32{256, 512, 4096} {
		s := usual(5000, 512, [2]uint64{2000, 2999}, [2]uint64{3000, 3999})
		s.count, s.entrySize, s.firstUsable, s.lastUse = 8, size, 100, 4900
		tab := mustRead(t, s.disk())
		e := tab.Layout().Entries
		at := int64(size)
		if len(e) != 2 || e[1].Start != 3000 || e[1].Table != disk.Sector(2+at/512) || e[1].Offset != int(at%512) {
			t.Errorf("%d bytes: %+v", size, e)
		}
		if c := codes(tab.Findings); len(c) != 1 || c["gpt-entry-size"] != 1 {
			t.Errorf("%d bytes: findings %v", size, c)
		}
	}
}

func TestGUIDText(t *testing.T) {
	if got := entryID.String(); got != "01234567-89AB-CDEF-0123-456789ABCDEF" {
		t.Errorf("%s", got)
	}
	// Mixed byte order: bytes B, from util-linux.
	if hex.EncodeToString(basicData[:]) != "a2a0d0ebe5b9334487c068b6b72699c7" {
		t.Errorf("% x", basicData)
	}
	for _, s := range []string{"", "x", "01234567-89AB-CDEF-0123-456789ABCDE", "0123456789AB-CDEF-0123-456789ABCDEF", "01234567-89AB-CDEF-0123-456789ABCDEG", "01234567-89AB-CDEF-01234567-89ABCDEF"} {
		if g, err := parseGUID(s); err == nil {
			t.Errorf("%q is taken for %s", s, g)
		}
	}
}
