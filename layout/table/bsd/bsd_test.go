package bsd

import (
	"encoding/binary"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest"
)

const fixture = "../../../testdata/bsd/fdisk.txt"

// P02: magic 82564557h at 0 and 132, checksum at 136, entries from 148; the
// label was written by fdisk of util-linux.
func TestReadP02(t *testing.T) {
	l, err := Read(imagetest.Load(t, fixture))
	if err != nil {
		t.Fatal(err)
	}
	tab := l.Table
	if l.At != 512 || l.SectorSize != 512 || l.PerUnit != 32130 || l.Declared != 3 || len(l.Findings) != 0 {
		t.Errorf("got %+v", l)
	}
	if tab.Kind != "bsd" || tab.State != layout.InForce || tab.Ends != 32130 || !slices.Equal(tab.Own, disk.Spans{{Start: 1, Count: 1}}) {
		t.Errorf("got %+v", tab)
	}
	want := []layout.Entry{
		{Span: disk.Span{Start: 64, Count: 8000}, Index: 1, Type: "07", TypeName: "4.2BSD fast file system", Table: 1, Offset: 148},
		{Span: disk.Span{Start: 8100, Count: 2000}, Index: 2, Type: "01", TypeName: "swap", Table: 1, Offset: 164},
		{Span: disk.Span{Start: 0, Count: 32130}, Index: 3, Type: "00", TypeName: wholeDisk, NoVolume: true, Table: 1, Offset: 180},
	}
	if !slices.Equal(tab.Entries, want) {
		t.Errorf("got  %+v\nwant %+v", tab.Entries, want)
	}
}

// moved returns a disk with the label of the fixture at another byte, after
// change and with the checksum made right again.
func moved(t testing.TB, at int64, sectorSize int, change func(label []byte)) *imagetest.Disk {
	t.Helper()
	label := imagetest.Head(t, imagetest.Load(t, fixture), 1024)[512:]
	if change != nil {
		change(label)
	}
	binary.LittleEndian.PutUint16(label[checksumAt:], 0)
	n := min(int(binary.LittleEndian.Uint16(label[partitionsAt:])), maxEntries)
	binary.LittleEndian.PutUint16(label[checksumAt:], xor16(label[:headerBytes+n*entryBytes]))
	d := imagetest.New(disk.Sector(32768*512/sectorSize), sectorSize)
	if _, err := d.WriteAt(label[:headerBytes+maxEntries*entryBytes], at); err != nil {
		t.Fatal(err)
	}
	return d
}

// P02: the places in the table of libblkid/src/partitions/bsd.c.
func TestPlacesP02(t *testing.T) {
	for _, c := range []struct {
		at         int64
		sectorSize int
		own        disk.Span
		offset     int
	}{
		{512, 512, disk.Span{Start: 1, Count: 1}, 148},
		{64, 512, disk.Span{Start: 0, Count: 1}, 212},
		{128, 512, disk.Span{Start: 0, Count: 1}, 276},
		{2048, 2048, disk.Span{Start: 1, Count: 1}, 148},
		{512, 2048, disk.Span{Start: 0, Count: 1}, 660},
	} {
		l, err := Read(moved(t, c.at, c.sectorSize, nil))
		if err != nil {
			t.Errorf("byte %d: %v", c.at, err)
			continue
		}
		tab := l.Table
		if l.At != c.at || tab.Own[0] != c.own || tab.Entries[0].Offset != c.offset || tab.State != layout.InForce {
			t.Errorf("byte %d: got %+v", c.at, l)
		}
	}
}

func TestFindings(t *testing.T) {
	le := binary.LittleEndian
	for _, c := range []struct {
		name   string
		change func(label []byte)
		want   []string
		state  layout.State
		listed int
	}{
		{"50 entries", func(l []byte) { le.PutUint16(l[partitionsAt:], 50) }, []string{"table-too-long"}, layout.Damaged, maxEntries},
		{"22 entries", func(l []byte) { le.PutUint16(l[partitionsAt:], 22) }, []string{}, layout.InForce, maxEntries},
		{"no entries", func(l []byte) { le.PutUint16(l[partitionsAt:], 0) }, []string{}, layout.InForce, 0},
		{"a past the end", func(l []byte) { le.PutUint32(l[148:], 1<<31) }, []string{"entry-past-end", "entries-overlap"}, layout.InForce, 3},
		{"b inside a", func(l []byte) { le.PutUint32(l[168:], 100) }, []string{"entries-overlap"}, layout.InForce, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Read(moved(t, 512, 512, c.change))
			if err != nil {
				t.Fatal(err)
			}
			tab := l.Table
			if got := imagetest.Codes(l.Findings); !slices.Equal(got, c.want) || tab.State != c.state || len(tab.Entries) != c.listed {
				t.Errorf("findings %v, %s, %d entries; want %v, %s, %d", got, tab.State, len(tab.Entries), c.want, c.state, c.listed)
			}
		})
	}
}

// P02: one flipped bit anywhere in what is summed breaks the checksum, or the
// label altogether.
func TestAnyFlippedBitIsSeenP02(t *testing.T) {
	for bit := range (headerBytes + 3*entryBytes) * 8 {
		d := imagetest.Load(t, fixture)
		b := []byte{0}
		if _, err := d.ReadAt(b, 512+int64(bit/8)); err != nil {
			t.Fatal(err)
		}
		b[0] ^= 1 << (bit % 8)
		if _, err := d.WriteAt(b, 512+int64(bit/8)); err != nil {
			t.Fatal(err)
		}
		if l, err := Read(d); err == nil && l.Table.State != layout.Damaged {
			t.Errorf("bit %d of byte %d: %v", bit%8, bit/8, l)
		}
	}
}

func TestEntryInsideASector(t *testing.T) {
	l, err := Read(moved(t, 2048, 2048, func(l []byte) { binary.LittleEndian.PutUint32(l[152:], 65) }))
	if err != nil {
		t.Fatal(err)
	}
	if got := imagetest.Codes(l.Findings); !slices.Contains(got, "entry-inside-sector") {
		t.Errorf("findings %v", got)
	}
	if got := l.Table.Entries[0].Span; got != (disk.Span{Start: 16, Count: 2001}) {
		t.Errorf("got %v", got)
	}
}

func TestNotALabel(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(label []byte)
		fault  disk.Fault
	}{
		{"no magic", func(l []byte) { l[0] = 0 }, disk.Absent},
		{"no second magic", func(l []byte) { l[132] = 0 }, disk.Malformed},
		{"sectors of 0 bytes", func(l []byte) { binary.LittleEndian.PutUint32(l[40:], 0) }, disk.Malformed},
		{"sectors of 4 GiB", func(l []byte) { binary.LittleEndian.PutUint32(l[40:], 1<<31) }, disk.Malformed},
		{"big-endian", func(l []byte) {
			binary.BigEndian.PutUint32(l, magic)
			binary.BigEndian.PutUint32(l[132:], magic)
		}, disk.Unsupported},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Read(moved(t, 512, 512, c.change))
			var format *disk.FormatError
			if l != nil || !errors.As(err, &format) || format.Fault != c.fault {
				t.Errorf("got %v, %v", l, err)
			}
		})
	}
	for _, size := range []int{0, 100, 600, 1000} {
		if l, err := Read(imagetest.NewBytes(make([]byte, size), 512)); l != nil || err == nil {
			t.Errorf("a blank disk of %d bytes: %v, %v", size, l, err)
		}
	}
}

func TestReadErrorIsNotAbsent(t *testing.T) {
	_, err := Read(image.NewKnown(imagetest.Load(t, fixture), disk.Spans{{Start: 1, Count: 1}}, nil))
	var unknown *image.UnknownError
	if !errors.As(err, &unknown) {
		t.Errorf("got %v", err)
	}
}

// P02: fdisk of util-linux writes a label, partx lists it.
func TestReadOfFdiskP02(t *testing.T) {
	fdisk := need.Tool(t, "fdisk")
	dir := t.TempDir()
	file, script := filepath.Join(dir, "disk.img"), filepath.Join(dir, "script")
	if err := errors.Join(
		os.WriteFile(file, nil, 0o600), os.Truncate(file, 16<<20),
		os.WriteFile(script, []byte("label: bsd\n\na: start=64, size=8000, type=7\nb: start=8100, size=2000, type=1\nd: start=12000, size=500, type=8\n"), 0o600),
	); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(fdisk, file)
	cmd.Stdin = strings.NewReader("I\n" + script + "\ny\nw\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("fdisk: %v\n%s", err, out)
	}
	src, err := image.Open(file, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	l, err := Read(src)
	if err != nil {
		t.Fatal(err)
	}
	var ours []imagetest.Slot
	for _, e := range l.Table.Entries {
		if !e.NoVolume {
			ours = append(ours, imagetest.Slot{Span: e.Span, Type: "0x" + strings.TrimLeft(strings.ToLower(e.Type), "0")})
		}
	}
	if got := imagetest.Partx(t, file); len(got) != 3 || !slices.Equal(got, ours) {
		t.Errorf("partx lists %v, we list %v", got, ours)
	}
	if len(l.Findings) != 0 {
		t.Errorf("findings %v", l.Findings)
	}
}

func FuzzRead(f *testing.F) {
	f.Add(imagetest.Head(f, imagetest.Load(f, fixture), 1024), uint16(32768), uint8(0))
	for i, at := range []int64{64, 128, 512} {
		f.Add(imagetest.Head(f, moved(f, at, 512, nil), 1024), uint16(32768), uint8(i))
	}
	f.Fuzz(func(t *testing.T, head []byte, sectors uint16, shift uint8) {
		l, err := Read(imagetest.Headed(head, disk.Sector(sectors), 512<<(shift%4)))
		if (l == nil) == (err == nil) {
			t.Fatalf("got %v and %v", l, err)
		}
		if err != nil {
			return
		}
		if err := layouttest.CheckTable(l.Table, l.Findings, maxEntries); err != nil {
			t.Error(err)
		}
	})
}
