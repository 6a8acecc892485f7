// Package loaders invents loaders for tests: disks whose boot code names the place
// of what it starts by a number, in every encoding and unit that is looked for, and
// a machine that starts a card from that number as the loader would.
//
// It shares no code with what it judges: it has its own encoder, its own FAT volume
// and its own reader of both. All of it is invented.
package loaders

import (
	"encoding/binary"
	"fmt"
	"io"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// Sector is the sector size of every disk here, in bytes.
const Sector = 512

// Where things lie on every disk here, in sectors.
const (
	Start    = 64  // the only entry
	gapCode  = 8   // a second stage
	gapCount = 6   // its sectors
	tailLong = 24  // sectors of the tail
	cluster  = 8   // sectors
	root     = 512 // entries of the root directory
)

// Holder says where the number stands.
type Holder string

// The holders.
const (
	Sector0    Holder = "sector 0"
	Gap        Holder = "gap"
	BootSector Holder = "boot sector"
	MapFile    Holder = "map file" // a file that sector 0 names
)

// Target says what the number names.
type Target string

// The targets.
const (
	File     Target = "file"
	SecondOf Target = "second run of a file"
	Tail     Target = "tail"
	GapStage Target = "gap"
)

// Coding says how the number is written.
type Coding string

// The codings.
const (
	LE32   Coding = "le32"
	BE32   Coding = "be32"
	Words  Coding = "be32-swap16" // high word first, each lowest byte first
	WordsL Coding = "le32-swap16" // low word first, each highest byte first
	LE24   Coding = "le24"
	BE24   Coding = "be24"
	LE16   Coding = "le16"
	BE16   Coding = "be16"
	LE64   Coding = "le64"
	CHS    Coding = "chs" // head, sector and cylinder as in a table entry
)

// Unit says what the number counts.
type Unit string

// The units.
const (
	Sectors   Unit = "sectors"
	KiB       Unit = "KiB"
	TwoKiB    Unit = "2 KiB"
	FourKiB   Unit = "4 KiB"
	FromEntry Unit = "sectors of the entry"
	Clusters  Unit = "clusters"
)

// Shape is an invented loader.
type Shape struct {
	Holder Holder
	Target Target
	Coding Coding
	Unit   Unit
	Length bool   // the number of sectors stands behind the number, as 16 bits in its order
	Hidden bool   // the file is a system file
	Last   bool   // the file lies at the end of its volume
	Seed   uint64 // of the bytes around the number; those of what is started are always the same
}

// filler is the seed of bytes that no loader looks at.
func (s Shape) filler(n uint64) uint64 { return n + s.Seed<<16 }

func (s Shape) String() string {
	return fmt.Sprintf("%s names %s, %s in %s, length %v, last %v, seed %d", s.Holder, s.Target, s.Coding, s.Unit,
		s.Length,
		s.Last, s.Seed)
}

// Geometry of the table and the volume.
const (
	heads = 64
	track = 63
)

// Loader is a disk with an invented loader.
type Loader struct {
	Shape
	Disk    *imagetest.Disk
	Sectors disk.Sector
	Named   disk.Sector // the sector that the number names
	Payload int         // sectors of what is started
	Byte    int         // of the holder's first sector, where the number stands
	Held    disk.Sector // the first sector of the holder
	Path    string      // of the file, if it is one
}

// mapPath is the file that holds the number, for holders of that kind.
const mapPath = "LOADER.MAP"

// New makes a disk of about 200 MB. It fails where the number does not fit its
// encoding or the unit does not divide the place.
func New(s Shape) (*Loader, error) {
	const sectors = 400_000
	l := &Loader{Shape: s, Disk: imagetest.New(sectors, Sector), Sectors: sectors, Payload: 12, Byte: 0x90}
	v := newVolume(sectors - 4096 - Start)
	v.boot = noise(s.filler(6), 1)
	for i := range 40 {
		v.add(fmt.Sprintf("SONG%02d.DAT", i), 3+i%5, 0, noise(s.filler(uint64(1000+i)), (3+i%5)*cluster))
	}
	v.next = 9000 // beyond the first 65,536 sectors: small numbers stand everywhere in code
	mapAt := v.add(mapPath, 1, 0, make([]byte, cluster*Sector))
	if s.Last {
		v.next = v.clusters - 60
	}
	l.addTarget(v)
	v.put(l.Disk)
	l.Disk.Put(gapCode, noise(s.filler(77), gapCount))
	l.sector0()
	switch s.Holder {
	case Sector0:
		l.Held = 0
	case Gap:
		l.Held = gapCode
	case BootSector:
		l.Held = Start
	case MapFile:
		l.Held, l.Byte = mapAt, 0x40
		var b [4]byte
		binary.LittleEndian.PutUint32(b[:], uint32(mapAt))
		l.write(0, 0x60, b[:])
	}
	b, err := l.encode(int64(l.Named))
	if err != nil {
		return nil, err
	}
	if s.Length {
		if l.Coding == BE16 || l.Coding == BE24 || l.Coding == BE32 {
			b = binary.BigEndian.AppendUint16(b, uint16(l.Payload))
		} else {
			b = binary.LittleEndian.AppendUint16(b, uint16(l.Payload))
		}
	}
	l.write(l.Held, l.Byte, b)
	return l, nil
}

// addTarget puts what the number names on the disk.
func (l *Loader) addTarget(v *volume) {
	attr := byte(0x20)
	if l.Hidden {
		attr = 0x26
	}
	switch l.Target {
	case File:
		l.Path = "PAYLOAD.BIN"
		l.Named = v.add(l.Path, 2, attr, noise(1, 12))
	case SecondOf:
		l.Path = "PAYLOAD.BIN"
		l.Named = v.addSplit(l.Path, attr, append(noise(9, cluster), noise(1, cluster)...))
		l.Payload = cluster
	case Tail:
		l.Named = l.Sectors - tailLong
		l.Payload = tailLong
		l.Disk.Put(l.Named, noise(1, tailLong))
	case GapStage:
		l.Named, l.Payload = gapCode+gapCount+2, 4
		l.Disk.Put(l.Named, noise(1, 4))
	}
}

func (l *Loader) write(at disk.Sector, in int, b []byte) {
	if _, err := l.Disk.WriteAt(b, int64(at)*Sector+int64(in)); err != nil {
		panic(err)
	}
}

// sector0 is code, a table with one active entry, and the signature.
func (l *Loader) sector0() {
	code := noise(l.filler(5), 1)
	for i := range 440 { // code has small numbers and few zeros
		code[i] |= 0x41
	}
	clear(code[440:])
	l.Disk.Put(0, code)
	e := make([]byte, 16)
	e[0], e[4] = 0x80, 0x06
	n := l.Sectors - 4096 - Start
	copy(e[1:], tuple(Start))
	copy(e[5:], tuple(int64(Start+n-1)))
	binary.LittleEndian.PutUint32(e[8:], Start)
	binary.LittleEndian.PutUint32(e[12:], uint32(n))
	l.write(0, 446, e)
	l.write(0, 510, []byte{0x55, 0xAA})
}

// tuple is the CHS form of a table entry.
func tuple(lba int64) []byte {
	c, h, s := lba/(heads*track), lba/track%heads, lba%track+1
	return []byte{byte(h), byte(s) | byte(c>>8<<6), byte(c)}
}

// encode writes the number that names a sector of this disk.
func (l *Loader) encode(lba int64) ([]byte, error) {
	if l.Coding == CHS {
		return tuple(lba), nil
	}
	n := lba
	per := map[Unit]int64{KiB: 2, TwoKiB: 4, FourKiB: 8}[l.Unit]
	switch {
	case per > 0 && lba%per != 0:
		return nil, fmt.Errorf("sector %d is no multiple of %d", lba, per)
	case per > 0:
		n /= per
	case l.Unit == FromEntry:
		n -= Start
	case l.Unit == Clusters:
		n = (n-Start-firstData)/cluster + 2
	}
	return number(l.Coding, n)
}

func number(c Coding, n int64) ([]byte, error) {
	bits := map[Coding]int{LE24: 24, BE24: 24, LE16: 16, BE16: 16, LE64: 64}[c]
	if bits == 0 {
		bits = 32
	}
	if n < 0 || bits < 63 && n>>bits != 0 {
		return nil, fmt.Errorf("%d does not fit %s", n, c)
	}
	a := func(i int) byte { return byte(n >> (8 * i)) }
	switch c {
	case BE32:
		return []byte{a(3), a(2), a(1), a(0)}, nil
	case Words:
		return []byte{a(2), a(3), a(0), a(1)}, nil
	case WordsL:
		return []byte{a(1), a(0), a(3), a(2)}, nil
	case LE24:
		return []byte{a(0), a(1), a(2)}, nil
	case BE24:
		return []byte{a(2), a(1), a(0)}, nil
	case LE16:
		return []byte{a(0), a(1)}, nil
	case BE16:
		return []byte{a(1), a(0)}, nil
	case LE64:
		return binary.LittleEndian.AppendUint64(nil, uint64(n)), nil
	}
	return []byte{a(0), a(1), a(2), a(3)}, nil
}

// Starts tells whether the loader finds on a card what it starts: it reads the
// number where its code has it, and wants every sector of the payload there.
func (l *Loader) Starts(card io.ReaderAt) bool {
	m := machine{card: card}
	zero := m.read(0, 1)
	if m.err != nil || zero[510] != 0x55 || zero[511] != 0xAA {
		return false
	}
	m.start = int64(binary.LittleEndian.Uint32(zero[446+8:]))
	held := int64(l.Held)
	switch l.Holder {
	case BootSector:
		held = m.start
	case MapFile:
		held = int64(binary.LittleEndian.Uint32(zero[0x60:]))
	}
	b := m.read(held, 1)
	if m.err != nil {
		return false
	}
	at := m.decode(l.Coding, l.Unit, b[l.Byte:])
	want := noise(1, l.Payload)
	got := m.read(at, l.Payload)
	return m.err == nil && string(got) == string(want)
}

type machine struct {
	card  io.ReaderAt
	start int64
	err   error
}

func (m *machine) read(at int64, n int) []byte {
	b := make([]byte, n*Sector)
	if at < 0 || at > 1<<40 {
		m.err = fmt.Errorf("sector %d", at)
	} else if _, err := m.card.ReadAt(b, at*Sector); err != nil {
		m.err = err
	}
	return b
}

// decode reads the number as the loader's code does, on whatever card it finds
// itself.
func (m *machine) decode(c Coding, u Unit, b []byte) int64 {
	var n int64
	put := func(order ...int) {
		for i, p := range order { // order[i] is the place of byte i, the lowest first
			n |= int64(b[p]) << (8 * i)
		}
	}
	switch c {
	case CHS:
		cyl := int64(b[2]) | int64(b[1]>>6)<<8
		return (cyl*heads+int64(b[0]))*track + int64(b[1]&63) - 1
	case LE32:
		put(0, 1, 2, 3)
	case BE32:
		put(3, 2, 1, 0)
	case Words:
		put(2, 3, 0, 1)
	case WordsL:
		put(1, 0, 3, 2)
	case LE24:
		put(0, 1, 2)
	case BE24:
		put(2, 1, 0)
	case LE16:
		put(0, 1)
	case BE16:
		put(1, 0)
	case LE64:
		put(0, 1, 2, 3, 4, 5, 6, 7)
	}
	switch u {
	case KiB:
		return n * 2
	case TwoKiB:
		return n * 4
	case FourKiB:
		return n * 8
	case FromEntry:
		return n + m.start
	case Clusters:
		boot := m.read(m.start, 1)
		le := binary.LittleEndian
		data := int64(le.Uint16(boot[14:])) + int64(boot[16])*int64(le.Uint16(boot[22:])) +
			int64(le.Uint16(boot[17:]))*32/Sector
		return m.start + data + (n-2)*int64(boot[13])
	}
	return n
}

// noise returns sectors of bytes that follow from a seed and repeat nowhere.
func noise(seed uint64, sectors int) []byte {
	b := make([]byte, 0, sectors*Sector)
	x := seed*0x9E3779B97F4A7C15 + 1
	for len(b) < cap(b) {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		b = binary.LittleEndian.AppendUint64(b, x)
	}
	return b
}
