package gpt

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// fixture reads a disk of testdata/gpt.
func fixture(t testing.TB, name string) *imagetest.Disk {
	t.Helper()
	return imagetest.Load(t, filepath.Join("..", "..", "..", "testdata", "gpt", name))
}

func mustRead(t testing.TB, src image.Source) *Table {
	t.Helper()
	tab, err := Read(src)
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

func mustGUID(s string) GUID {
	g, err := parseGUID(s)
	if err != nil {
		panic(err)
	}
	return g
}

var (
	basicData = mustGUID("EBD0A0A2-B9E5-4433-87C0-68B6B72699C7")
	diskID    = mustGUID("00112233-4455-6677-8899-AABBCCDDEEFF")
	entryID   = mustGUID("01234567-89AB-CDEF-0123-456789ABCDEF")
)

// spec is a table to be written from the standard's field list, without the
// code that the package renders with.
type spec struct {
	sectors              disk.Sector
	sectorSize           int
	headerSize           int // 92 if 0
	count, entrySize     uint32
	my, alternate        uint64
	firstUsable, lastUse uint64
	arrayAt              disk.Sector
	entries              [][2]uint64 // first, last
}

// header returns the header sector of the spec with right CRCs.
func (s spec) header(array []byte) []byte {
	b := make([]byte, s.sectorSize)
	size := s.headerSize
	if size == 0 {
		size = 92
	}
	le := binary.LittleEndian
	copy(b, "EFI PART\x00\x00\x01\x00")
	le.PutUint32(b[12:], uint32(size))
	le.PutUint64(b[24:], s.my)
	le.PutUint64(b[32:], s.alternate)
	le.PutUint64(b[40:], s.firstUsable)
	le.PutUint64(b[48:], s.lastUse)
	copy(b[56:], diskID[:])
	le.PutUint64(b[72:], uint64(s.arrayAt))
	le.PutUint32(b[80:], s.count)
	le.PutUint32(b[84:], s.entrySize)
	le.PutUint32(b[88:], crc32.ChecksumIEEE(array))
	for i := 92; i < len(b) && s.headerSize > 92; i++ {
		b[i] = byte(i)
	}
	sign(b)
	return b
}

// sign writes the header CRC that the other bytes ask for.
func sign(b []byte) {
	binary.LittleEndian.PutUint32(b[16:], 0)
	size := binary.LittleEndian.Uint32(b[12:])
	binary.LittleEndian.PutUint32(b[16:], crc32.ChecksumIEEE(b[:size]))
}

// array returns the entry array of the spec.
func (s spec) array() []byte {
	b := make([]byte, int(s.count)*int(s.entrySize))
	for i, e := range s.entries {
		p := b[i*int(s.entrySize):]
		copy(p, basicData[:])
		copy(p[16:], entryID[:])
		p[16] = byte(i + 1)
		binary.LittleEndian.PutUint64(p[32:], e[0])
		binary.LittleEndian.PutUint64(p[40:], e[1])
		for k, c := range "MUSIC" {
			p[56+2*k] = byte(c)
		}
		for k := 128; k < int(s.entrySize); k++ {
			p[k] = byte(k)
		}
	}
	return b
}

// usual returns a table as it is usually laid out on a disk of n sectors.
func usual(n disk.Sector, sectorSize int, entries ...[2]uint64) spec {
	a := uint64(16384 / sectorSize)
	return spec{sectors: n, sectorSize: sectorSize, count: 128, entrySize: 128, my: 1, alternate: uint64(n) - 1,
		firstUsable: 2 + a, lastUse: uint64(n) - 2 - a, arrayAt: 2, entries: entries}
}

// second returns the backup table of the spec.
func (s spec) second() spec {
	n := disk.Sector(s.alternate)
	s.my, s.alternate = s.alternate, s.my
	s.arrayAt = n - arraySectors(uint64(s.count)*uint64(s.entrySize), s.sectorSize)
	return s
}

// protectiveRecord is that of EFI Specification 1.02, table 16-6 (G07).
func protectiveRecord(size uint32) []byte {
	b := []byte{0, 0, 2, 0, 0xEE, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0, 0, 0, 0, 0}
	binary.LittleEndian.PutUint32(b[12:], size)
	return b
}

// disk writes sector 0 and both copies.
func (s spec) disk() *imagetest.Disk {
	d := imagetest.New(s.sectors, s.sectorSize)
	b := make([]byte, s.sectorSize)
	copy(b, "boot code")
	copy(b[440:], []byte{1, 2, 3, 4})
	copy(b[446:], protectiveRecord(uint32(min(s.sectors-1, 0xFFFFFFFF))))
	b[510], b[511] = 0x55, 0xAA
	d.Put(0, b)
	for _, c := range []spec{s, s.second()} {
		a := c.array()
		d.Put(disk.Sector(c.my), c.header(a))
		d.Put(c.arrayAt, a)
	}
	return d
}

// apply writes a rendered table on a blank disk.
func apply(r *Rendered, sectors disk.Sector, sectorSize int) *imagetest.Disk {
	d := imagetest.New(sectors, sectorSize)
	for at, b := range r.Sectors() {
		d.Put(at, b)
	}
	return d
}

func codes(fs []disk.Finding) map[string]int {
	out := map[string]int{}
	for _, f := range fs {
		out[string(f.Code)]++
	}
	return out
}

// parseGUID reads the text form, in either case.
func parseGUID(s string) (GUID, error) {
	var g GUID
	groups := strings.Split(s, "-")
	b, err := hex.DecodeString(strings.Join(groups, ""))
	if err != nil || len(b) != len(g) || len(groups) != 5 || len(groups[0]) != 8 || len(groups[1]) != 4 || len(groups[2]) != 4 || len(groups[3]) != 4 {
		return g, fmt.Errorf("%q is no GUID: it looks like 00112233-4455-6677-8899-AABBCCDDEEFF", s)
	}
	copy(g[:], b)
	for _, w := range [][2]int{{0, 4}, {4, 6}, {6, 8}} {
		for i, j := w[0], w[1]-1; i < j; i, j = i+1, j-1 {
			g[i], g[j] = g[j], g[i]
		}
	}
	return g, nil
}
