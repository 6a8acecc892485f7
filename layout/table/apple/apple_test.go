package apple

import (
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
	three      = "../../../testdata/apple/three.txt"
	blocks2048 = "../../../testdata/apple/blocks2048.txt"
)

// P01: Inside Macintosh: Devices, chapter 3: sbSig 4552h in block 0, pmSig
// 504Dh from block 1, fields of the partition map entry record.
func TestReadP01(t *testing.T) {
	m, err := Read(imagetest.Load(t, three))
	if err != nil {
		t.Fatal(err)
	}
	tab := m.Table
	if m.BlockSize != 512 || m.Blocks != 4000 || m.Declared != 3 || len(m.Findings) != 0 {
		t.Errorf("got %+v", m)
	}
	if tab.Kind != "apple" || tab.State != layout.InForce || tab.Ends != 4000 || !slices.Equal(tab.Own, disk.Spans{{Start: 0, Count: 4}}) {
		t.Errorf("got %+v", tab)
	}
	want := []layout.Entry{
		{Span: disk.Span{Start: 1, Count: 63}, Index: 1, NoVolume: true, Type: mapType, TypeName: "the map itself", Name: "Apple", Table: 1},
		{Span: disk.Span{Start: 64, Count: 2000}, Index: 2, Type: "Apple_HFS", TypeName: "HFS or HFS Plus volume", Name: "Music One", Table: 2},
		{Span: disk.Span{Start: 2064, Count: 1936}, Index: 3, NoVolume: true, Type: freeType, TypeName: "free space", Name: "Extra", Table: 3},
	}
	if !slices.Equal(tab.Entries, want) {
		t.Errorf("got  %+v\nwant %+v", tab.Entries, want)
	}
}

// P01: pmSig 5453h is the old signature. Blocks of 2048 bytes on sectors of
// 512 bytes are four sectors each.
func TestReadOtherBlockSizeP01(t *testing.T) {
	m, err := Read(imagetest.Load(t, blocks2048))
	if err != nil {
		t.Fatal(err)
	}
	tab := m.Table
	if m.BlockSize != 2048 || tab.Ends != 4096 || len(m.Findings) != 0 || !slices.Equal(tab.Own, disk.Spans{{Start: 0, Count: 12}}) {
		t.Errorf("got %+v", m)
	}
	e := tab.Entries[1]
	if e.Span != (disk.Span{Start: 64, Count: 3600}) || e.Table != 8 || e.Offset != 0 {
		t.Errorf("got %+v", e)
	}
}

// The same bytes read as a disk with sectors of 4096 bytes: the volume of
// blocks 16+900 still fits, the entry of the map does not.
func TestReadOnLargerSectors(t *testing.T) {
	small := imagetest.Load(t, blocks2048)
	m, err := Read(imagetest.NewBytes(imagetest.Head(t, small, small.Size()), 4096))
	if err != nil {
		t.Fatal(err)
	}
	if got := m.Table.Entries[1]; got.Span != (disk.Span{Start: 8, Count: 450}) || got.Table != 1 || got.Offset != 0 {
		t.Errorf("got %+v", got)
	}
	if got := m.Table.Entries[0]; got.Span != (disk.Span{Start: 0, Count: 2}) || got.Offset != 2048 {
		t.Errorf("got %+v", got)
	}
	if got := imagetest.Codes(m.Findings); !slices.Equal(got, []string{"entry-inside-sector"}) {
		t.Errorf("findings %v", got)
	}
}

func TestFindings(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*imagetest.Disk)
		want   []string
		state  layout.State
		listed int
	}{
		{"the third entry is gone", put(3*512, 0, 0), []string{"table-entry-missing"}, layout.Damaged, 2},
		{"counts differ", put(2*512+4, 0, 0, 0, 9), []string{"table-counts-differ"}, layout.InForce, 3},
		{"count of a million", put(512+4, 0, 0x0F, 0x42, 0x40), []string{"table-too-long", "table-counts-differ", "table-counts-differ", "table-entry-missing"}, layout.Damaged, 3},
		{"volume past the end", put(2*512+12, 0xFF, 0xFF, 0xFF, 0xFF), []string{"entry-past-end"}, layout.InForce, 3},
		{"volume over the map", put(2*512+8, 0, 0, 0, 10), []string{"entries-overlap"}, layout.InForce, 3},
		{"free space past the end", put(3*512+12, 0, 0, 0xFF, 0xFF), []string{}, layout.InForce, 3},
		{"driver descriptor says 2048", put(2, 8, 0), []string{"table-block-size"}, layout.InForce, 3},
		{"driver descriptor says 0", put(2, 0, 0), []string{"table-block-size"}, layout.InForce, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := imagetest.Load(t, three)
			c.change(d)
			m, err := Read(d)
			if err != nil {
				t.Fatal(err)
			}
			tab := m.Table
			if got := imagetest.Codes(m.Findings); !slices.Equal(got, c.want) || tab.State != c.state || len(tab.Entries) != c.listed {
				t.Errorf("findings %v, %s, %d entries; want %v, %s, %d", got, tab.State, len(tab.Entries), c.want, c.state, c.listed)
			}
		})
	}
}

func put(at int64, b ...byte) func(*imagetest.Disk) {
	return func(d *imagetest.Disk) {
		if _, err := d.WriteAt(b, at); err != nil {
			panic(err)
		}
	}
}

func TestNotAMap(t *testing.T) {
	for _, c := range []struct {
		name  string
		disk  func(*imagetest.Disk)
		fault disk.Fault
	}{
		{"no ER", put(0, 'X'), disk.Absent},
		{"no PM", put(512, 'X'), disk.Absent},
		{"no entries", put(512+4, 0, 0, 0, 0), disk.Malformed},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := imagetest.Load(t, three)
			c.disk(d)
			m, err := Read(d)
			var format *disk.FormatError
			if m != nil || !errors.As(err, &format) || format.Fault != c.fault {
				t.Errorf("got %v, %v", m, err)
			}
		})
	}
	for _, size := range []int{2, 512, 600} {
		b := make([]byte, size)
		copy(b, driverSignature)
		if m, err := Read(imagetest.NewBytes(b, 512)); m != nil || err == nil {
			t.Errorf("a disk of %d bytes has a map: %v", size, m)
		}
	}
}

// A sector that cannot be read is an error that is no FormatError: nothing is
// said about the map.
func TestReadErrorIsNotAbsent(t *testing.T) {
	for _, bad := range []disk.Sector{0, 1, 3} {
		d := image.NewKnown(imagetest.Load(t, three), disk.Spans{{Start: bad, Count: 1}}, nil)
		_, err := Read(d)
		var unknown *image.UnknownError
		if !errors.As(err, &unknown) {
			t.Errorf("sector %d: got %v", bad, err)
		}
	}
}

// P01: libblkid of util-linux, through blkid and partx, as second reader.
func TestOutsideReaderAgreesP01(t *testing.T) {
	for _, name := range []string{three, blocks2048} {
		d := imagetest.Load(t, name)
		m, err := Read(d)
		if err != nil {
			t.Fatal(err)
		}
		file := imagetest.Save(t, d)
		if got := imagetest.Blkid(t, file)["PTTYPE"]; got != "mac" {
			t.Errorf("blkid calls %s %q", name, got)
		}
		var want []imagetest.Slot
		for _, e := range m.Table.Entries {
			want = append(want, imagetest.Slot{Span: e.Span, Type: e.Type})
		}
		if got := imagetest.Partx(t, file); !slices.Equal(got, want) {
			t.Errorf("%s: partx lists %v, we list %v", name, got, want)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, name := range []string{three, blocks2048} {
		f.Add(imagetest.Head(f, imagetest.Load(f, name), 6144), uint16(4096), false)
		f.Add(imagetest.Head(f, imagetest.Load(f, name), 6144), uint16(2), true)
	}
	f.Fuzz(func(t *testing.T, head []byte, sectors uint16, large bool) {
		size := 512
		if large {
			size = 4096
		}
		m, err := Read(imagetest.Headed(head, disk.Sector(sectors), size))
		if (m == nil) == (err == nil) {
			t.Fatalf("got %v and %v", m, err)
		}
		if err != nil {
			return
		}
		if err := layouttest.CheckTable(m.Table, m.Findings, maxEntries); err != nil {
			t.Error(err)
		}
	})
}
