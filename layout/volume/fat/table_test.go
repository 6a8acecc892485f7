package fat_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

func loaded(t testing.TB, src image.Source) (*fat.Volume, *fat.Table) {
	t.Helper()
	v := mustRead(t, src)
	tab, err := v.LoadTable(v.Active)
	if err != nil {
		t.Fatal(err)
	}
	return v, tab
}

// F20, F21, F22: marks of bad clusters and of ends; the high four bits of a
// FAT32 entry stay. FG, "FAT Data Structure".
func TestMarks(t *testing.T) {
	for _, c := range []struct {
		k                fat.Kind
		bad, endMin, end uint32
	}{
		{fat.FAT12, 0xFF7, 0xFF8, 0xFFF}, {fat.FAT16, 0xFFF7, 0xFFF8, 0xFFFF}, {fat.FAT32, 0x0FFFFFF7, 0x0FFFFFF8, 0x0FFFFFFF},
	} {
		if c.k.Bad() != c.bad || c.k.EndMin() != c.endMin || c.k.End() != c.end {
			t.Errorf("%s: %X %X %X", c.k, c.k.Bad(), c.k.EndMin(), c.k.End())
		}
	}
	if e := fat.FAT32.Put(0x30000000, fat.FAT32.Bad()); e != 0x3FFFFFF7 {
		t.Errorf("F22: 30000000 marked bad becomes %08X", e)
	}
}

// What an entry is, in each kind; F25: entry 341 of FAT12 straddles bytes 511
// and 512.
func TestEntries(t *testing.T) {
	for _, k := range []fat.Kind{fat.FAT12, fat.FAT16, fat.FAT32} {
		o := map[fat.Kind]format.Options{fat.FAT12: {Sectors: 2880, SectorsPerCluster: 1}, fat.FAT16: small16, fat.FAT32: small32}[k]
		d := plain(t, o)
		v := mustRead(t, d)
		last := v.Clusters + 1
		for _, c := range []struct {
			cluster, value uint32
			next           uint32
			link           fat.Link
		}{
			{341, 0, 0, fat.Free}, {341, 0xABC % last, 0xABC % last, fat.Next}, {340, 2, 2, fat.Next}, {342, last, last, fat.Next},
			{341, 1, 0, fat.Outside}, {341, last + 1, 0, fat.Outside}, {341, k.Bad(), 0, fat.Bad}, {341, k.EndMin(), 0, fat.End},
			{341, k.End(), 0, fat.End}, {341, k.EndMin() - 2, 0, fat.Outside}, {last, k.End(), 0, fat.End},
		} {
			putEntry(d, v, 0, c.cluster, c.value|0xF0000000)
			_, tab := loaded(t, d)
			if next, link := tab.At(c.cluster); next != c.next || link != c.link {
				t.Errorf("%s entry %d = %X: %d, %d; want %d, %d", k, c.cluster, c.value, next, link, c.next, c.link)
			}
			if k == fat.FAT32 && tab.Entries[c.cluster]>>28 != 0xF {
				t.Errorf("the high bits of %08X are lost", tab.Entries[c.cluster])
			}
		}
		_, tab := loaded(t, d)
		for _, c := range []uint32{0, 1, last + 1, 0xFFFFFFFF} {
			if _, link := tab.At(c); link != fat.Outside {
				t.Errorf("%s: %d is taken for a cluster", k, c)
			}
		}
	}
}

// putEntry writes one entry as FG, "FAT Data Structure", says, by other code
// than the reader's: a FAT12 table is a row of half bytes.
func putEntry(d *imagetest.Disk, v *fat.Volume, copy int, cluster, value uint32) {
	base := int64(v.TableSpan(copy).Start) * int64(d.SectorSize())
	halves := int64(v.Kind) / 4
	for i := int64(0); i < halves; i++ {
		at := int64(cluster)*halves + i
		var b [1]byte
		if _, err := d.ReadAt(b[:], base+at/2); err != nil {
			panic(err)
		}
		shift := 4 * (at % 2)
		b[0] = b[0]&^(0xF<<shift) | byte(value>>(4*i)&0xF)<<shift
		poke(d, base+at/2, b[0])
	}
}

// F19: FAT[1] tells of a dirty volume and of errors; 1 is good.
func TestTableFlags(t *testing.T) {
	for _, c := range []struct {
		o     format.Options
		value uint32
		want  string
	}{
		{small16, 0xFFFF, ""}, {small16, 0x7FFF, "fat-dirty"}, {small16, 0xBFFF, "fat-io-errors-noted"},
		{small32, 0x0FFFFFFF, ""}, {small32, 0x07FFFFFF, "fat-dirty"}, {small32, 0x0BFFFFFF, "fat-io-errors-noted"},
		{format.Options{Sectors: 2880}, 0x3FF, ""},
	} {
		d := plain(t, c.o)
		putEntry(d, mustRead(t, d), 0, 1, c.value)
		if _, tab := loaded(t, d); codes(tab.Findings) != c.want {
			t.Errorf("%X: %q, want %q", c.value, codes(tab.Findings), c.want)
		}
	}
}

func TestTableFromOtherCopy(t *testing.T) {
	for _, o := range []format.Options{{Sectors: 2880}, small16, small32} {
		d := imagetest.New(disk.Sector(o.Sectors), 512)
		w, err := format.New(d, o)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 40 {
			if err := w.Add(fmt.Sprintf("F%d", i), bytes.NewReader(make([]byte, 9000)), 9000, format.File{Fragment: 2}); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		v, whole := loaded(t, d)
		first := v.TableSpan(0).Start
		bad := &imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: first, Count: 1}, {Start: first + 2, Count: 1}}}
		v, got := loaded(t, bad)
		if codes(got.Findings) != "fat-table-from-copy" || fmt.Sprint(got.Entries) != fmt.Sprint(whole.Entries) || len(got.Unknown) != 0 {
			t.Errorf("%s: %s", v.Kind, codes(got.Findings))
		}
		second := v.TableSpan(1).Start
		bad.Bad = bad.Bad.Add(disk.Span{Start: second + 2, Count: 1})
		_, got = loaded(t, bad)
		if codes(got.Findings) != "fat-table-from-copy fat-table-missing" || len(got.Unknown) != 1 {
			t.Fatalf("%s: %s, %v", v.Kind, codes(got.Findings), got.Unknown)
		}
		for c := uint32(2); c <= v.Clusters+1; c++ {
			start, end := int64(c)*int64(v.Kind)/8, (int64(c)*int64(v.Kind)+int64(v.Kind)-1)/8
			touches := end >= 1024 && start < 1536
			if _, link := got.At(c); (link == fat.Unknown) != touches {
				t.Fatalf("%s: entry %d in bytes %d to %d: %d", v.Kind, c, start, end, link)
			}
		}
	}
}

// Where one table alone is kept up to date, another does not answer for it.
func TestNoCopyWithoutMirroring(t *testing.T) {
	d := plain(t, small32)
	poke(d, 40, 0x81)
	v := mustRead(t, d)
	bad := &imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: v.TableSpan(1).Start, Count: 1}}}
	v, tab := loaded(t, bad)
	if v.Active != 1 || tab.Copy != 1 || codes(tab.Findings) != "fat-table-missing" {
		t.Errorf("table %d of %d: %s", tab.Copy, v.Active, codes(tab.Findings))
	}
	if _, link := tab.At(2); link != fat.Unknown {
		t.Errorf("the old table answers: %d", link)
	}
}

// F17: what FSInfo states is compared with the table. 488 is the count of free
// clusters, 492 where to look for one; FFFFFFFF says nothing.
func TestFSInfo(t *testing.T) {
	for _, c := range []struct {
		at    int64
		value uint32
		want  string
	}{
		{488, 68889, ""}, {488, 68888, "fsinfo-wrong"}, {488, fat.Unset, ""},
		{492, 2, ""}, {492, 68891, ""}, {492, 68892, "fsinfo-wrong"}, {492, 1, "fsinfo-wrong"}, {492, fat.Unset, ""},
	} {
		d := plain(t, small32)
		poke(d, 512+c.at, le32(c.value)...)
		v, tab := loaded(t, d)
		if got := codes(v.Check(tab).Findings); got != c.want {
			t.Errorf("%d at byte %d: %q, want %q", c.value, c.at, got, c.want)
		}
	}
}

// The tables of a volume that lies about its size are no larger than what the
// source holds.
func TestLyingSizes(t *testing.T) {
	d := plain(t, small32)
	poke(d, 32, le32(0xFFFFFFFF)...)
	poke(d, 36, le32(0x00200000)...)
	poke(d, 13, 64)
	v, err := fat.Read(d)
	if err != nil {
		t.Fatal(err)
	}
	tab, err := v.LoadTable(0)
	if err != nil {
		t.Fatal(err)
	}
	if have := image.Sectors(d) * 512 / 4; disk.Sector(len(tab.Entries)) > have {
		t.Errorf("%d entries from a source of %d bytes", len(tab.Entries), d.Size())
	}
	if _, err := v.LoadTable(1); err == nil {
		t.Error("a table beyond the end was read")
	}
	if _, link := tab.At(v.Clusters); link != fat.Outside {
		t.Errorf("an entry beyond the end is %d", link)
	}
	v.Check(tab)
	v.References(tab)
}

func TestCopiesDiffer(t *testing.T) {
	for _, o := range []format.Options{{Sectors: 2880}, {Sectors: 2881}, {Sectors: 2882}, small16, small32} {
		d := plain(t, o)
		v := mustRead(t, d)
		if f := v.CompareTables(); len(f) != 0 {
			t.Fatalf("%s: %v", v.Kind, f)
		}
		putEntry(d, v, 1, v.Clusters+2, 0x5) // behind the last entry nothing has a meaning
		if f := v.CompareTables(); len(f) != 0 {
			t.Errorf("%s with %d clusters: an entry of no cluster counts: %v", v.Kind, v.Clusters, f)
		}
		putEntry(d, v, 1, v.Clusters+1, 0x5)
		f := v.CompareTables()
		if codes(f) != "fat-copies-differ" || !strings.Contains(f[0].Text, "in 1 sectors") {
			t.Errorf("%s with %d clusters: %v", v.Kind, v.Clusters, f)
		}
	}
}

// A table that is read and rendered again is the same table.
func TestTableRoundTrip(t *testing.T) {
	for _, name := range fixtures {
		d := fixture(t, name)
		v, tab := loaded(t, d)
		want, err := image.ReadSectors(d, v.TableSpan(0))
		if err != nil {
			t.Fatal(err)
		}
		got := bytes.Repeat([]byte{0}, len(want))
		if n := tab.Kind.Encode(got, tab.Entries); n != len(tab.Entries) || !bytes.Equal(got, want) {
			t.Errorf("%s: %d of %d entries, not the same bytes", name, n, len(tab.Entries))
		}
	}
}
