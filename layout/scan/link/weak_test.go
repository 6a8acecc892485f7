package link_test

import (
	"bytes"
	"encoding/binary"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan/link"
)

// Files of a small volume, which begin at sectors that are small numbers.
var smallFiles = map[string][]byte{
	"A.BIN": make([]byte, 1536), // becomes a list
	"B.BIN": disks.Recording(5120, 2),
	"C.WAV": disks.Recording(300_000, 3),
	"D.WAV": disks.Recording(300_000, 4),
}

// firstOf returns the first sector of a file.
func firstOf(t *testing.T, d image.Source, path string) disk.Sector {
	t.Helper()
	for _, p := range find(t, d).Places() {
		if p.Path == path && p.Offset == 0 {
			return p.Start
		}
	}
	t.Fatalf("no file %s", path)
	return 0
}

// write changes bytes of a sector.
func write(t *testing.T, d *imagetest.Disk, at disk.Sector, in int, b []byte) {
	t.Helper()
	if _, err := d.WriteAt(b, int64(at)*512+int64(in)); err != nil {
		t.Fatal(err)
	}
}

func linksAt(list []link.Link, at disk.Sector, in int, named disk.Sector) (out []link.Link) {
	for _, l := range list {
		if l.At == at && l.Byte <= in && in < l.Byte+l.Width && l.Target.Start == named {
			out = append(out, l)
		}
	}
	return out
}

// chsOf is a sector as head, sector and cylinder of a table entry (util-linux,
// include/pt-mbr.h), with the 255 heads and 63 sectors of the tables of package disks.
func chsOf(lba disk.Sector) []byte {
	return []byte{byte(lba / 63 % 255), byte(lba%63 + 1), byte(lba / (63 * 255))}
}

// A small number that names a list is a link, in every encoding in which the list goes on
// as it is named, also of three numbers, where these are all of what is listed. The first
// of the list is one too: 5,120 bytes are 10 sectors and 3 clusters.
func TestListsOfSmallNumbers(t *testing.T) {
	plain := formDisk(t, smallFiles)
	a, b := firstOf(t, plain, "A.BIN"), firstOf(t, plain, "B.BIN")
	le32 := func(n disk.Sector) []byte { return binary.LittleEndian.AppendUint32(nil, uint32(n)) }
	cluster := func(x disk.Sector) []byte { return le32(2 + (x-a)/4)[:2] } // A.BIN has the first cluster
	for _, c := range []struct {
		name   string
		encode func(disk.Sector) []byte
		step   disk.Sector
		length []byte // beside the number of sector 0
		low    int    // its lowest byte: amid zeros the others are read in either order
	}{
		{"le32", le32, 1, nil, 0},
		{"be32", func(x disk.Sector) []byte { return binary.BigEndian.AppendUint32(nil, uint32(x)) }, 1, nil, 3},
		{"24 bits", func(x disk.Sector) []byte { return le32(x)[:3] }, 1, []byte{3}, 0},
		{"cylinder, head and sector", chsOf, 1, []byte{3}, 0},
		{"clusters", cluster, 4, []byte{3}, 0},
	} {
		d := formDisk(t, smallFiles)
		write(t, d, 0, 446+1, chsOf(63))
		write(t, d, 0, 446+5, chsOf(63+50_000-1))
		list := []byte("MAP\x00\x0A\x00\x00\x00")
		for x := b; x < b+10; x += c.step {
			list = append(list, c.encode(x)...)
		}
		write(t, d, a, 0, list)
		write(t, d, 0, 400, append(c.encode(a), c.length...))
		f := find(t, d)
		if len(linksAt(f.Links, 0, 400+c.low, a)) == 0 {
			t.Errorf("%s: the number of sector 0 is no link; weak ones: %+v", c.name, f.Weak)
		}
		if len(linksAt(f.Links, a, 8+c.low, b)) == 0 {
			t.Errorf("%s: the first number of the list is no link", c.name)
		}
		for _, l := range f.Links {
			if l.At != 0 && l.At != a {
				t.Errorf("%s: also %s", c.name, l.Text(512))
			}
		}
	}
}

// A length in the header of packed code that happens to be the sector of a file is no
// link: such numbers stand in much code for reasons of their own. In sector 0, alone, it
// may be one: that cannot be known.
func TestSmallNumbersAlone(t *testing.T) {
	d := formDisk(t, smallFiles)
	first := firstOf(t, d, "C.WAV")
	number := binary.LittleEndian.AppendUint32(nil, uint32(first-63)) // of the entry
	disks.Noise(d, disk.Span{Start: 1, Count: 40}, 9)
	write(t, d, 1, 20, append(number, 0xFF, 0xFF, 0xFF, 0))
	if f := find(t, d); len(linksAt(f.Links, 1, 20, first)) > 0 || len(f.Weak) > 0 {
		t.Errorf("a length in the gap is taken for a place: %+v, weak %+v", f.Links, f.Weak)
	}
	write(t, d, 0, 400, number)
	f := find(t, d)
	if len(linksAt(f.Links, 0, 400, first)) > 0 || len(linksAt(f.Weak, 0, 400, first)) == 0 {
		t.Errorf("a small number alone in sector 0: %+v, weak %+v", f.Links, f.Weak)
	}
	for _, l := range f.Weak {
		if l.ByChance > link.WeakBar || l.ByChance <= 0 {
			t.Errorf("chance %v: %s", l.ByChance, l.Text(512))
		}
	}
}

// Letters of messages are no numbers, whatever file begins at the sector that they would
// name, and no weak ones.
func TestMessagesAreNoWeakLinks(t *testing.T) {
	d := formDisk(t, smallFiles)
	write(t, d, 0, 300, bytes.Repeat([]byte("Disk error\r\n\x00"), 5))
	if f := find(t, d); len(f.Links)+len(f.Weak) > 0 {
		t.Errorf("%+v, weak %+v", f.Links, f.Weak)
	}
}
