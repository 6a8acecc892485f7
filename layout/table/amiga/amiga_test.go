package amiga

import (
	"encoding/binary"
	"errors"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest"
)

const (
	two        = "../../../testdata/amiga/two.txt"
	blocks1024 = "../../../testdata/amiga/blocks1024.txt"
)

// P03: RDSK in one of the blocks 0 to 15, sum of longs 0, chain of PART
// blocks. There is no outside reader of this table on a machine of today: the
// expected values follow from the Linux header affs_hardblocks.h and
// block/partitions/amiga.c: start = low cylinder * heads * sectors.
func TestReadP03(t *testing.T) {
	r, err := Read(imagetest.Load(t, two))
	if err != nil {
		t.Fatal(err)
	}
	tab := r.Table
	if r.Block != 2 || r.BlockBytes != 512 || r.Trashed || len(r.Findings) != 0 {
		t.Errorf("got %+v", r)
	}
	if tab.Kind != "amiga" || tab.State != layout.InForce || tab.Ends != 12800 || !slices.Equal(tab.Own, disk.Spans{{Start: 0, Count: 256}}) {
		t.Errorf("got %+v", tab)
	}
	want := []layout.Entry{
		{Span: disk.Span{Start: 256, Count: 48 * 128}, Index: 1, Type: `DOS\3`, TypeName: "fast file system, international", Name: "DH0", Active: true, Table: 5},
		{Span: disk.Span{Start: 6400, Count: 50 * 128}, Index: 2, Type: `DOS\1`, TypeName: "fast file system", Name: "DH1", Table: 9},
	}
	if !slices.Equal(tab.Entries, want) {
		t.Errorf("got  %+v\nwant %+v", tab.Entries, want)
	}
}

// P03: block numbers and cylinders count in blocks of the table, here 1024
// bytes; the search for RDSK is in blocks of 512.
func TestReadOtherBlockSizeP03(t *testing.T) {
	r, err := Read(imagetest.Load(t, blocks1024))
	if err != nil {
		t.Fatal(err)
	}
	tab := r.Table
	if r.BlockBytes != 1024 || tab.Ends != 12800 || !slices.Equal(tab.Own, disk.Spans{{Start: 0, Count: 256}}) {
		t.Errorf("got %+v", r)
	}
	if e := tab.Entries[0]; e.Span != (disk.Span{Start: 256, Count: 49 * 256}) || e.Table != 6 {
		t.Errorf("got %+v", e)
	}
}

// resum makes the checksum of a block right.
func resum(b []byte) {
	binary.BigEndian.PutUint32(b[8:], 0)
	var s uint32
	for i := range int(u32(b, 4)) {
		s += u32(b, 4*i)
	}
	binary.BigEndian.PutUint32(b[8:], -s)
}

// edit changes one sector of a disk, with or without a right checksum after it.
func edit(t testing.TB, d *imagetest.Disk, at disk.Sector, sum bool, change func(b []byte)) {
	t.Helper()
	b, err := image.ReadSectors(d, disk.Span{Start: at, Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	change(b)
	if sum {
		resum(b)
	}
	d.Put(at, b)
}

func TestFindings(t *testing.T) {
	set := func(at int, v uint32) func([]byte) {
		return func(b []byte) { binary.BigEndian.PutUint32(b[at:], v) }
	}
	env := func(i int, v uint32) func([]byte) { return set(partEnvironment+4*i, v) }
	for _, c := range []struct {
		name   string
		at     disk.Sector
		sum    bool
		change func(b []byte)
		want   []string
		state  layout.State
		listed int
	}{
		{"RDSK checksum", 2, false, set(200, 1), []string{"table-checksum"}, layout.Damaged, 2},
		{"trashed word", 2, false, set(trashedAt, 0xDEADBEEF), []string{"table-trashed-word"}, layout.InForce, 2},
		{"nothing summed", 2, false, set(4, 0), []string{"table-checksum"}, layout.Damaged, 2},
		{"4 G longs summed", 2, false, set(4, 1<<32-1), []string{"table-checksum"}, layout.Damaged, 2},
		{"PART checksum", 5, false, set(200, 1), []string{"table-checksum"}, layout.Damaged, 2},
		{"PART gone", 9, false, set(0, 0), []string{"table-entry-missing"}, layout.Damaged, 1},
		{"chain of one leads to itself", 9, true, set(partNext, 9), []string{"table-chain-loop"}, layout.Damaged, 2},
		{"chain leads back", 9, true, set(partNext, 5), []string{"table-chain-loop"}, layout.Damaged, 2},
		{"chain leads off the disk", 5, true, set(partNext, 1<<31), []string{"table-entry-missing"}, layout.Damaged, 1},
		{"no chain", 2, true, set(rdbPartitions, endOfChain), []string{}, layout.InForce, 0},
		{"area ends before it begins", 2, true, set(rdbAreaLow, 500), []string{"table-area-implausible"}, layout.InForce, 2},
		{"area off the disk", 2, true, set(rdbAreaHigh, 1<<32-1), []string{"table-area-implausible"}, layout.InForce, 2},
		{"cylinders the wrong way round", 5, true, env(envHigh, 0), []string{"entry-implausible"}, layout.InForce, 2},
		{"past the end", 9, true, env(envHigh, 100), []string{"entry-past-end"}, layout.InForce, 2},
		{"largest numbers", 9, true, func(b []byte) {
			for _, i := range []int{envHeads, envSectors, envHigh} {
				env(i, 1<<32-1)(b)
			}
			env(envLow, 0)(b)
		}, []string{"entry-past-end", "entries-overlap"}, layout.InForce, 2},
		{"start beyond 64 bits", 9, true, func(b []byte) {
			for _, i := range []int{envHeads, envSectors, envLow, envHigh} {
				env(i, 1<<32-1)(b)
			}
		}, []string{"entry-implausible"}, layout.InForce, 2},
		{"overlap", 9, true, env(envLow, 49), []string{"entries-overlap"}, layout.InForce, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := imagetest.Load(t, two)
			edit(t, d, c.at, c.sum, c.change)
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

// A chain of 200 blocks, none twice, is cut.
func TestLongChain(t *testing.T) {
	d := imagetest.Load(t, two)
	b, err := image.ReadSectors(d, disk.Span{Start: 5, Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	for i := disk.Sector(5); i < 205; i++ {
		binary.BigEndian.PutUint32(b[partNext:], uint32(i+1))
		resum(b)
		d.Put(i, b)
	}
	r, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Table; len(got.Entries) != maxChain || got.State != layout.Damaged ||
		!slices.Contains(imagetest.Codes(r.Findings), "table-too-long") {
		t.Errorf("%d entries, %s, %v", len(got.Entries), got.State, imagetest.Codes(r.Findings))
	}
}

// Of two rigid disk blocks the one with a right checksum is used, wherever it
// stands; block 16 is not looked at.
func TestWhichBlock(t *testing.T) {
	d := imagetest.Load(t, two)
	b, err := image.ReadSectors(d, disk.Span{Start: 2, Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	d.Put(15, b)
	d.Put(16, b)
	edit(t, d, 2, false, func(b []byte) { b[200]++ })
	r, err := Read(d)
	if err != nil || r.Block != 15 || r.Table.State != layout.InForce {
		t.Errorf("got %+v, %v", r, err)
	}
	d.Put(2, make([]byte, 512))
	d.Put(15, make([]byte, 512))
	var format *disk.FormatError
	if r, err := Read(d); !errors.As(err, &format) || format.Fault != disk.Absent {
		t.Errorf("got %+v, %v", r, err)
	}
}

func TestMalformedBlockSize(t *testing.T) {
	for _, size := range []uint32{0, 1, 511, 513, 1 << 16, 1<<32 - 512} {
		d := imagetest.Load(t, two)
		edit(t, d, 2, true, func(b []byte) { binary.BigEndian.PutUint32(b[rdbBlockBytes:], size) })
		r, err := Read(d)
		var format *disk.FormatError
		if r != nil || !errors.As(err, &format) || format.Fault != disk.Malformed {
			t.Errorf("%d: got %v, %v", size, r, err)
		}
	}
}

// A table in blocks of 512 bytes on sectors of 4096 bytes: what begins or ends
// inside a sector is said and widened.
func TestEntryInsideASector(t *testing.T) {
	small := imagetest.Load(t, two)
	edit(t, small, 9, true, func(b []byte) { binary.BigEndian.PutUint32(b[partEnvironment+4*envSectors:], 1) })
	r, err := Read(imagetest.NewBytes(imagetest.Head(t, small, small.Size()), 4096))
	if err != nil {
		t.Fatal(err)
	}
	// Cylinders of 4 blocks: blocks 200 to 399, which are whole sectors.
	e := r.Table.Entries
	if e[0].Span != (disk.Span{Start: 32, Count: 768}) || e[1].Span != (disk.Span{Start: 25, Count: 25}) {
		t.Errorf("got %+v", e)
	}
	edit(t, small, 9, true, func(b []byte) { binary.BigEndian.PutUint32(b[partEnvironment+4*envHeads:], 3) })
	if r, err = Read(imagetest.NewBytes(imagetest.Head(t, small, small.Size()), 4096)); err != nil {
		t.Fatal(err)
	}
	// Cylinders of 3 blocks: blocks 150 to 299, sectors 18 to 37.
	if got := r.Table.Entries[1].Span; got != (disk.Span{Start: 18, Count: 20}) ||
		!slices.Contains(imagetest.Codes(r.Findings), "entry-inside-sector") {
		t.Errorf("got %v, %v", got, imagetest.Codes(r.Findings))
	}
}

func TestShortDisks(t *testing.T) {
	for _, size := range []int{0, 4, 511, 1500} {
		b := make([]byte, size)
		copy(b, "RDSK")
		r, err := Read(imagetest.NewBytes(b, 512))
		var format *disk.FormatError
		if r != nil || !errors.As(err, &format) {
			t.Errorf("%d bytes: %v, %v", size, r, err)
		}
	}
}

func TestReadErrorIsNotAbsent(t *testing.T) {
	for _, bad := range []disk.Sector{0, 2, 9} {
		_, err := Read(image.NewKnown(imagetest.Load(t, two), disk.Spans{{Start: bad, Count: 1}}, nil))
		var unknown *image.UnknownError
		if !errors.As(err, &unknown) {
			t.Errorf("sector %d: got %v", bad, err)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, name := range []string{two, blocks1024} {
		f.Add(imagetest.Head(f, imagetest.Load(f, name), 5120), uint16(12800), false)
	}
	f.Add(imagetest.Head(f, imagetest.Load(f, two), 5120), uint16(3), true)
	f.Fuzz(func(t *testing.T, head []byte, sectors uint16, large bool) {
		size := 512
		if large {
			size = 4096
		}
		r, err := Read(imagetest.Headed(head, disk.Sector(sectors), size))
		if (r == nil) == (err == nil) {
			t.Fatalf("got %v and %v", r, err)
		}
		if err != nil {
			return
		}
		if err := layouttest.CheckTable(r.Table, r.Findings, maxChain); err != nil {
			t.Error(err)
		}
	})
}
