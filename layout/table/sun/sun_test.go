package sun

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

const fixture = "../../../testdata/sun/sfdisk.txt"

// P04: magic DABEh at 508, VTOC sanity 600DDEEEh at 188, heads and sectors at
// 436 and 438; the label was written by sfdisk of util-linux: 255 heads with
// 63 sectors, 8 cylinders.
func TestReadP04(t *testing.T) {
	l, err := Read(imagetest.Load(t, fixture))
	if err != nil {
		t.Fatal(err)
	}
	tab := l.Table
	if l.Heads != 255 || l.SectorsPerTrack != 63 || l.Cylinders != 8 || !l.VTOC || len(l.Findings) != 0 {
		t.Errorf("got %+v", l)
	}
	if tab.Kind != "sun" || tab.State != layout.InForce || tab.Ends != 8*255*63 || !slices.Equal(tab.Own, disk.Spans{{Start: 0, Count: 1}}) || len(tab.Entries) != 8 {
		t.Errorf("got %+v", tab)
	}
	want := []layout.Entry{
		{Span: disk.Span{Start: 0, Count: 64260}, Index: 1, Type: "83", TypeName: "Linux", Offset: 444},
		{Span: disk.Span{Start: 64260, Count: 48195}, Index: 2, Type: "82", TypeName: "Linux swap", Offset: 452},
	}
	if !slices.Equal(tab.Entries[:2], want) {
		t.Errorf("got  %+v\nwant %+v", tab.Entries[:2], want)
	}
	for i, e := range tab.Entries {
		if e.NoVolume == (i < 2) {
			t.Errorf("NoVolume of %+v is %v", e, e.NoVolume)
		}
	}
}

// changed returns the disk of the fixture after a change to its label, with
// the checksum made right again.
func changed(t testing.TB, change func(label []byte)) *imagetest.Disk {
	t.Helper()
	d := imagetest.Load(t, fixture)
	label := imagetest.Head(t, d, 512)
	change(label)
	binary.BigEndian.PutUint16(label[sumAt:], 0)
	binary.BigEndian.PutUint16(label[sumAt:], xor16(label))
	d.Put(0, label)
	return d
}

func TestFindings(t *testing.T) {
	be := binary.BigEndian
	for _, c := range []struct {
		name   string
		change func(label []byte)
		want   []string
		listed int
		owned  int
	}{
		{"whole disk by its tag", func(l []byte) {
			be.PutUint16(l[tagsAt+8:], wholeTag)
			be.PutUint32(l[entriesAt+20:], 8*255*63)
		}, []string{}, 8, 2},
		{"no VTOC, third slice is the whole disk", func(l []byte) {
			clear(l[versionAt : sanityAt+4])
			be.PutUint32(l[entriesAt+20:], 8*255*63)
		}, []string{}, 8, 2},
		{"VTOC of two slices", func(l []byte) { be.PutUint16(l[slicesAt:], 2) }, []string{}, 2, 2},
		{"VTOC of 65535 slices is none", func(l []byte) { be.PutUint16(l[slicesAt:], 65535) }, []string{}, 8, 2},
		{"slices overlap", func(l []byte) { be.PutUint32(l[entriesAt+8:], 3) }, []string{"entries-overlap"}, 8, 2},
		{"slice past the end", func(l []byte) { be.PutUint32(l[entriesAt+12:], 1<<31) }, []string{"entry-past-end"}, 8, 2},
		{"slice at the last possible cylinder", func(l []byte) { be.PutUint32(l[entriesAt+8:], 1<<32-1) }, []string{"entry-past-end"}, 8, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Read(changed(t, c.change))
			if err != nil {
				t.Fatal(err)
			}
			tab := l.Table
			owned := 0
			for _, e := range tab.Entries {
				if !e.NoVolume {
					owned++
				}
			}
			if got := imagetest.Codes(l.Findings); !slices.Equal(got, c.want) || len(tab.Entries) != c.listed || owned != c.owned || tab.State != layout.InForce {
				t.Errorf("findings %v, %d entries, %d owned; want %v, %d, %d", got, len(tab.Entries), owned, c.want, c.listed, c.owned)
			}
		})
	}
}

// P04: the XOR of all 256 words is 0. One flipped bit anywhere makes the label
// damaged or none.
func TestAnyFlippedBitIsSeenP04(t *testing.T) {
	label := imagetest.Head(t, imagetest.Load(t, fixture), 512)
	for bit := range 512 * 8 {
		label[bit/8] ^= 1 << (bit % 8)
		l, err := Read(imagetest.Headed(label, 131072, 512))
		label[bit/8] ^= 1 << (bit % 8)
		if err == nil && (l.Table.State != layout.Damaged || !slices.Contains(imagetest.Codes(l.Findings), "table-checksum")) {
			t.Errorf("bit %d of byte %d: %+v", bit%8, bit/8, l)
		}
	}
}

func TestNotALabel(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(label []byte)
		fault  disk.Fault
	}{
		{"no magic", func(l []byte) { l[magicAt] = 0 }, disk.Absent},
		{"no heads", func(l []byte) { l[nheadAt], l[nheadAt+1] = 0, 0 }, disk.Malformed},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Read(changed(t, c.change))
			var format *disk.FormatError
			if l != nil || !errors.As(err, &format) || format.Fault != c.fault {
				t.Errorf("got %v, %v", l, err)
			}
		})
	}
	lone := make([]byte, 512)
	lone[0], lone[magicAt], lone[magicAt+1] = 1, 0xDA, 0xBE
	if l, err := Read(imagetest.NewBytes(lone, 512)); l != nil || err == nil {
		t.Errorf("two bytes of magic alone: %v, %v", l, err)
	}
	if l, err := Read(imagetest.NewBytes(lone[:511], 512)); l != nil || err == nil {
		t.Errorf("a disk of 511 bytes: %v, %v", l, err)
	}
}

func TestReadErrorIsNotAbsent(t *testing.T) {
	_, err := Read(image.NewKnown(imagetest.Load(t, fixture), disk.Spans{{Start: 0, Count: 1}}, nil))
	var unknown *image.UnknownError
	if !errors.As(err, &unknown) {
		t.Errorf("got %v", err)
	}
}

// P04: sfdisk of util-linux writes a label, partx lists it, blkid names it.
func TestReadOfSfdiskP04(t *testing.T) {
	sfdisk := need.Tool(t, "sfdisk")
	file := filepath.Join(t.TempDir(), "disk.img")
	if err := errors.Join(os.WriteFile(file, nil, 0o600), os.Truncate(file, 64<<20)); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(sfdisk, "-q", file)
	cmd.Stdin = strings.NewReader("label: sun\nstart=0,size=64260,type=83\nstart=64260,size=48195,type=82\nstart=0,size=128520,type=5\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("sfdisk: %v\n%s", err, out)
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
			ours = append(ours, imagetest.Slot{Span: e.Span, Type: "0x" + strings.ToLower(e.Type)})
		}
	}
	if got := imagetest.Partx(t, file); len(got) != 2 || !slices.Equal(got, ours) {
		t.Errorf("partx lists %v, we list %v", got, ours)
	}
	if got := imagetest.Blkid(t, file)["PTTYPE"]; got != "sun" {
		t.Errorf("blkid calls it %q", got)
	}
}

func FuzzRead(f *testing.F) {
	f.Add(imagetest.Head(f, imagetest.Load(f, fixture), 512), uint32(131072), uint8(0))
	f.Add(imagetest.Head(f, changed(f, func(l []byte) { clear(l[versionAt : sanityAt+4]) }), 512), uint32(100), uint8(2))
	f.Fuzz(func(t *testing.T, head []byte, sectors uint32, shift uint8) {
		l, err := Read(imagetest.Headed(head, disk.Sector(sectors), 512<<(shift%4)))
		if (l == nil) == (err == nil) {
			t.Fatalf("got %v and %v", l, err)
		}
		if err != nil {
			return
		}
		if err := layouttest.CheckTable(l.Table, l.Findings, maxSlices); err != nil {
			t.Error(err)
		}
	})
}
