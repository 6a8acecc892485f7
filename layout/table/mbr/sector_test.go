package mbr

import (
	"bytes"
	"errors"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image/disk"
)

// record is the first record of testdata/mbr/chain.txt, as sfdisk wrote it.
var record = []byte{0x80, 0x01, 0x01, 0x00, 0x0C, 0x81, 0x3F, 0x02, 0x3F, 0x00, 0x00, 0x00, 0x41, 0x9D, 0x00, 0x00}

func bootSector(size int, records ...[]byte) []byte {
	b := make([]byte, size)
	for i := range b {
		b[i] = byte(i * 7)
	}
	clear(b[446:510])
	for i, r := range records {
		copy(b[446+16*i:], r)
	}
	b[510], b[511] = 0x55, 0xAA
	return b
}

func faultOf(err error) (disk.Fault, bool) {
	var f *disk.FormatError
	if errors.As(err, &f) {
		return f.Fault, true
	}
	return 0, false
}

// M01, M02: EFI Specification 1.02, tables 16-5 and 16-6: code 0-439,
// signature of the disk at 440, records of 16 bytes at 446, 55 AA at 510.
func TestParse(t *testing.T) {
	b := bootSector(512, record)
	copy(b[440:], []byte{0x78, 0x56, 0x34, 0x12})
	s, err := Parse(b)
	if err != nil {
		t.Fatal(err)
	}
	want := Record{Boot: 0x80, StartCHS: CHS{0, 1, 1}, Type: 0x0C, EndCHS: CHS{2, 129, 63}, Start: 63, Count: 40257}
	if got := s.Record(0); got != want {
		t.Errorf("record 1: %+v, want %+v", got, want)
	}
	if s.DiskID() != 0x12345678 {
		t.Errorf("disk signature %08X", s.DiskID())
	}
}

func TestParseFaults(t *testing.T) {
	flag := func(f byte) []byte {
		b := bootSector(512, nil, nil, record)
		b[446+32] = f
		return b
	}
	unsigned := bootSector(512, record)
	unsigned[511] = 0
	for _, c := range []struct {
		name string
		b    []byte
		want disk.Fault
	}{
		// M03: Linux, block/partitions/msdos.c and libblkid dos.c.
		{"M03 flag 81", flag(0x81), disk.Malformed},
		{"M03 flag 01", flag(0x01), disk.Malformed},
		{"M01 no signature", unsigned, disk.Absent},
		{"no sector", nil, disk.Unsupported},
		{"half a sector", unsigned[:256], disk.Unsupported},
		{"odd sector", make([]byte, 520), disk.Unsupported},
		{"long sector", make([]byte, 8192), disk.Unsupported},
	} {
		s, err := Parse(c.b)
		if f, ok := faultOf(err); !ok || f != c.want || s != nil {
			t.Errorf("%s: %v %v, want fault %d", c.name, s, err, c.want)
		}
	}
	for _, f := range []byte{0x00, 0x80} {
		if _, err := Parse(flag(f)); err != nil {
			t.Errorf("M03 flag %02X: %v", f, err)
		}
	}
}

func TestEmpty(t *testing.T) {
	noCount, noType := bytes.Clone(record), bytes.Clone(record)
	clear(noCount[12:])
	noType[4] = 0
	for name, want := range map[string]struct {
		records [][]byte
		empty   bool
	}{
		"nothing":         {nil, true},
		"fourth":          {[][]byte{nil, nil, nil, record}, false},
		"size 0, type 00": {[][]byte{noCount, noType}, true}, // EFI Specification 1.02, p. 316
	} {
		s, err := Parse(bootSector(512, want.records...))
		if err != nil || s.Empty() != want.empty {
			t.Errorf("%s: empty %v (%v), want %v", name, s.Empty(), err, want.empty)
		}
	}
}

// G07: the record of EFI Specification 1.02, table 16-6.
func TestProtectiveAndHybrid(t *testing.T) {
	ee := []byte{0, 0, 2, 0, 0xEE, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}
	for _, c := range []struct {
		name               string
		records            [][]byte
		protective, hybrid bool
	}{
		{"none", [][]byte{record}, false, false},
		{"protective", [][]byte{ee}, true, false},
		{"protective in record 3", [][]byte{nil, nil, ee}, true, false},
		{"hybrid", [][]byte{ee, record}, false, true},
	} {
		s, err := Parse(bootSector(512, c.records...))
		if err != nil {
			t.Fatal(err)
		}
		if s.Protective() != c.protective || s.Hybrid() != c.hybrid {
			t.Errorf("%s: protective %v, hybrid %v", c.name, s.Protective(), s.Hybrid())
		}
	}
}

// A setter changes the bytes of its field and no other.
func TestSettersChangeTheirField(t *testing.T) {
	for name, c := range map[string]struct {
		set      func(*Sector)
		from, to int
	}{
		"disk id":   {func(s *Sector) { s.SetDiskID(0xFFFFFFFF) }, 440, 444},
		"count":     {func(s *Sector) { s.SetCount(3, 0xFFFFFFFF) }, 446 + 48 + 12, 446 + 48 + 16},
		"start CHS": {func(s *Sector) { s.SetStartCHS(0, Overflow255) }, 446 + 1, 446 + 4},
		"end CHS":   {func(s *Sector) { s.SetEndCHS(1, Overflow255) }, 446 + 16 + 5, 446 + 16 + 8},
	} {
		for _, size := range []int{512, 4096} {
			b := bootSector(size)
			s, err := Parse(b)
			if err != nil {
				t.Fatal(err)
			}
			c.set(s)
			for i := c.from; i < c.to; i++ {
				b[i] = 0xFF
			}
			if !bytes.Equal(s.Bytes(), b) {
				t.Errorf("%s in a sector of %d bytes: other bytes changed", name, size)
			}
		}
	}
}

func TestBytesAreKept(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.SampledFrom([]int{512, 1024, 2048, 4096}).Draw(t, "size")
		b := rapid.SliceOfN(rapid.Byte(), size, size).Draw(t, "sector")
		b[510], b[511] = 0x55, 0xAA
		for i := range 4 {
			b[446+16*i] &= 0x80
		}
		s, err := Parse(b)
		if err != nil {
			t.Fatal(err)
		}
		b[0]++ // the sector is a copy of its own
		if got := s.Bytes(); got[0] != b[0]-1 || !bytes.Equal(got[1:], b[1:]) {
			t.Fatal("other bytes come back")
		}
	})
}

// M23: util-linux, include/pt-mbr.h: the hidden FAT types are 10h higher.
func TestHiddenTypes(t *testing.T) {
	for _, c := range []byte{0x01, 0x04, 0x06, 0x07, 0x0B, 0x0C, 0x0E} {
		if typeName(c+0x10) != "hidden "+typeName(c) {
			t.Errorf("%s is %q and %s is %q", Code(c), typeName(c), Code(c+0x10), typeName(c+0x10))
		}
	}
	if Code(0x0C) != "0C" {
		t.Errorf("0C is written %q", Code(0x0C))
	}
}
