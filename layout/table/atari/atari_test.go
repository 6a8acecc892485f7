package atari

import (
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest"
)

const (
	simple = "../../../testdata/atari/simple.txt"
	chain  = "../../../testdata/atari/chain.txt"
	icd    = "../../../testdata/atari/icd.txt"
)

func entry(index int, start, count disk.Sector, kind string, table disk.Sector, offset int) layout.Entry {
	return layout.Entry{
		Span: disk.Span{Start: start, Count: count}, Index: index, Type: kind, TypeName: typeNames[kind],
		Extended: kind == "XGM", Table: table, Offset: offset,
	}
}

// P05: entries of 12 bytes from 1C6h, the size at 1C2h, the word sum 1234h
// (from memory) of a root sector that a machine starts from.
func TestReadP05(t *testing.T) {
	r, err := Read(imagetest.Load(t, simple))
	if err != nil {
		t.Fatal(err)
	}
	tab := r.Table
	if !r.Bootable || r.DiskSize != 20000 || r.ICD || len(r.Findings) != 0 {
		t.Errorf("got %+v", r)
	}
	if tab.Kind != "atari" || tab.State != layout.InForce || tab.Ends != 20000 || !slices.Equal(tab.Own, disk.Spans{{Start: 0, Count: 2}}) {
		t.Errorf("got %+v", tab)
	}
	first := entry(1, 2, 4000, "GEM", 0, 0x1C6)
	first.Active = true
	if want := []layout.Entry{first, entry(3, 4002, 15998, "BGM", 0, 0x1DE)}; !slices.Equal(tab.Entries, want) {
		t.Errorf("got  %+v\nwant %+v", tab.Entries, want)
	}
}

// The chain of libblkid/src/partitions/atari.c: volumes count from their own
// root sector, links from the first.
func TestReadChain(t *testing.T) {
	r, err := Read(imagetest.Load(t, chain))
	if err != nil {
		t.Fatal(err)
	}
	tab := r.Table
	want := []layout.Entry{
		entry(1, 1, 4000, "GEM", 0, 0x1C6),
		entry(2, 4001, 15000, "XGM", 0, 0x1D2),
		entry(5, 4002, 6000, "BGM", 4001, 0x1C6),
		entry(6, 10003, 8000, "RAW", 10002, 0x1C6),
	}
	if !slices.Equal(tab.Entries, want) || len(r.Findings) != 0 || r.Bootable {
		t.Errorf("got  %+v, %v\nwant %+v", tab.Entries, r.Findings, want)
	}
	if want := (disk.Spans{{Start: 0, Count: 1}, {Start: 4001, Count: 1}, {Start: 10002, Count: 1}}); !slices.Equal(tab.Own, want) {
		t.Errorf("owns %v, want %v", tab.Own, want)
	}
	if owns(tab.Entries[1]) || !owns(tab.Entries[2]) {
		t.Error("a container owns its sectors, or a volume does not")
	}
}

func TestReadICD(t *testing.T) {
	r, err := Read(imagetest.Load(t, icd))
	if err != nil {
		t.Fatal(err)
	}
	got := r.Table.Entries
	want := []layout.Entry{entry(5, 4001, 1000, "BGM", 0, 0x156), entry(7, 5001, 1000, "LNX", 0, 0x16E)}
	if !r.ICD || len(got) != 6 || !slices.Equal(got[4:], want) {
		t.Errorf("got %+v", got)
	}
}

// P05: libblkid of util-linux, through blkid and partx, as second reader. It
// does not list containers.
func TestOutsideReaderAgreesP05(t *testing.T) {
	for _, name := range []string{simple, chain, icd} {
		d := imagetest.Load(t, name)
		r, err := Read(d)
		if err != nil {
			t.Fatal(err)
		}
		file := imagetest.Save(t, d)
		if got := imagetest.Blkid(t, file)["PTTYPE"]; got != "atari" {
			t.Errorf("blkid calls %s %q", name, got)
		}
		var want []imagetest.Slot
		for _, e := range r.Table.Entries {
			if owns(e) {
				want = append(want, imagetest.Slot{Span: e.Span, Type: e.Type})
			}
		}
		if got := imagetest.Partx(t, file); !slices.Equal(got, want) {
			t.Errorf("%s: partx lists %v, we list %v", name, got, want)
		}
	}
}

func at(sector disk.Sector, offset int64, b ...byte) func(*imagetest.Disk) {
	return func(d *imagetest.Disk) {
		if _, err := d.WriteAt(b, int64(sector)*512+offset); err != nil {
			panic(err)
		}
	}
}

func TestFindings(t *testing.T) {
	for _, c := range []struct {
		name   string
		file   string
		change func(*imagetest.Disk)
		want   []string
		state  layout.State
		listed int
	}{
		{"link to itself", chain, at(4001, 0x1D2+4, 0, 0, 0, 0), []string{"table-chain-loop"}, layout.Damaged, 3},
		{"link past the end", chain, at(4001, 0x1D2+4, 0xFF, 0xFF, 0xFF, 0xFF), []string{"table-entry-missing"}, layout.Damaged, 3},
		{"link to nothing", chain, at(4001, 0x1D2+4, 0, 0, 0, 9), []string{"table-entry-missing"}, layout.Damaged, 3},
		{"second entry is no link", chain, at(4001, 0x1D2+1, 'G', 'E', 'M'), []string{"table-entry-missing"}, layout.Damaged, 3},
		{"first entry is a link", chain, at(4001, 0x1C6+1, 'X', 'G', 'M'), []string{"table-entry-missing"}, layout.Damaged, 2},
		{"logical past the end", chain, at(10002, 0x1C6+8, 0xFF, 0xFF, 0xFF, 0xFF), []string{"entry-past-end"}, layout.InForce, 4},
		{"logical over another", chain, at(4001, 0x1C6+8, 0, 0, 0x20, 0), []string{"entries-overlap"}, layout.InForce, 4},
		{"ICD entry over another", icd, at(0, 0x156+4, 0, 0, 0, 1), []string{"entries-overlap"}, layout.InForce, 6},
		{"bad sectors past the end", simple, at(0, badListAt, 0xFF, 0xFF, 0xFF, 0xFF), []string{"bad-list-implausible"}, layout.InForce, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := imagetest.Load(t, c.file)
			c.change(d)
			r, err := Read(d)
			if err != nil {
				t.Fatal(err)
			}
			tab := r.Table
			if got := imagetest.Codes(r.Findings); !slices.Equal(got, c.want) || tab.State != c.state || len(tab.Entries) != c.listed {
				t.Errorf("findings %v, %s, %d entries; want %v, %s, %d", got, tab.State, len(tab.Entries), c.want, c.state, c.listed)
			}
		})
	}
}

// A chain of 100 root sectors, none twice, is cut.
func TestLongChain(t *testing.T) {
	d := imagetest.Load(t, chain)
	b, err := image.ReadSectors(d, disk.Span{Start: 4001, Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	binary.BigEndian.PutUint32(b[0x1C6+8:], 1)
	for i := range uint32(100) {
		binary.BigEndian.PutUint32(b[0x1D2+4:], 2*(i+1))
		d.Put(4001+disk.Sector(2*i), b)
	}
	r, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Table; len(got.Entries) != 2+maxChain || got.State != layout.Damaged ||
		!slices.Contains(imagetest.Codes(r.Findings), "table-too-long") {
		t.Errorf("%d entries, %s, %v", len(got.Entries), got.State, imagetest.Codes(r.Findings))
	}
}

func TestStrict(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*imagetest.Disk)
	}{
		{"55 AA", at(0, 510, 0x55, 0xAA)},
		{"unknown type", at(0, 0x1DE+1, 'A', 'B', 'C')},
		{"begins at sector 0", at(0, 0x1C6+4, 0, 0, 0, 0)},
		{"no sectors", at(0, 0x1C6+8, 0, 0, 0, 0)},
		{"past the end by one", at(0, 0x1DE+8, 0, 0, 0x3E, 0x7F)},
		{"overlap", at(0, 0x1DE+4, 0, 0, 0, 9)},
		{"nothing in use", func(d *imagetest.Disk) { at(0, 0x1C6, 0)(d); at(0, 0x1DE, 0)(d) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := imagetest.Load(t, simple)
			c.change(d)
			r, err := Read(d)
			var format *disk.FormatError
			if r != nil || !errors.As(err, &format) || format.Fault != disk.Absent {
				t.Errorf("got %+v, %v", r, err)
			}
		})
	}
	d := imagetest.Load(t, simple)
	if r, err := Read(imagetest.NewBytes(imagetest.Head(t, d, d.Size()), 2048)); r != nil || err == nil {
		t.Errorf("sectors of 2048 bytes: %v, %v", r, err)
	}
	if r, err := Read(imagetest.NewBytes(make([]byte, 511), 512)); r != nil || err == nil {
		t.Errorf("a disk of 511 bytes: %v, %v", r, err)
	}
}

// Random sectors are never taken for a root sector: there is no signature, so
// this is what strictness is for.
func TestNoiseIsNoTable(t *testing.T) {
	for _, seed := range need.Seeds(40, 2000) {
		rng := rand.New(rand.NewPCG(uint64(seed), 0))
		b := make([]byte, 512)
		for range 500 {
			for i := range b {
				b[i] = byte(rng.Uint32())
			}
			if r, err := Read(imagetest.Headed(b, 1<<31, 512)); err == nil {
				t.Fatalf("seed %d: %+v", seed, r)
			}
		}
	}
}

func TestReadErrorIsNotAbsent(t *testing.T) {
	for _, bad := range []disk.Sector{0, 4001, 10002} {
		_, err := Read(image.NewKnown(imagetest.Load(t, chain), disk.Spans{{Start: bad, Count: 1}}, nil))
		var unknown *image.UnknownError
		if !errors.As(err, &unknown) {
			t.Errorf("sector %d: got %v", bad, err)
		}
	}
}

// FuzzRead lays a second sector at the place to which the chain leads.
func FuzzRead(f *testing.F) {
	for _, name := range []string{simple, chain, icd} {
		d := imagetest.Load(f, name)
		next, err := image.ReadSectors(d, disk.Span{Start: 4001, Count: 1})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(imagetest.Head(f, d, 512), next, uint16(20000))
	}
	f.Fuzz(func(t *testing.T, head, next []byte, sectors uint16) {
		d := imagetest.Headed(head, disk.Sector(sectors), 512)
		for _, at := range []disk.Sector{4001, 10002} {
			if at < disk.Sector(sectors) {
				d.Put(at, next[:min(len(next), 512)])
			}
		}
		r, err := Read(d)
		if (r == nil) == (err == nil) {
			t.Fatalf("got %v and %v", r, err)
		}
		if err != nil {
			return
		}
		if err := layouttest.CheckTable(r.Table, r.Findings, primaries*(1+maxChain)+icdEntries); err != nil {
			t.Error(err)
		}
	})
}

// owns tells whether an entry stands for a volume.
func owns(e layout.Entry) bool { return !e.Empty() && !e.Extended }
