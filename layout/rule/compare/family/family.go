// Package family makes invented device families for tests: disks of any size
// of one model, and the checks that the invented device does when it starts.
// Nothing of it comes from the packages under test: numbers, checksums and
// copies are written here once more, in another way.
package family

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// sectorSize of all invented devices, bytes.
const sectorSize = 512

// Number is a field of the device that follows the size of the disk.
type Number struct {
	Sector, Byte int
	FromEnd      bool // Sector 1 is the last
	Kind         string
	Of           func(n int64) int64
	Write        func(b []byte, v int64)
	Width        int
}

// sum is a checksum of the device. All places are bytes of the head.
type sum struct {
	at, width int
	kind      string
	from, to  int // span; the checksum itself counts as zeros
	write     func(b []byte, v int64)
	compute   func(b []byte) int64
}

// twin is a copy that the device keeps at the end of the disk.
type twin struct {
	of, end int  // sector of the head, and of the tail: 1 is the last
	words   int  // bytes of the words that the copy has reversed, 1 for none
	number  byte // copy number, 0 for none
}

// Family is a model of device. The same seed makes the same model.
type Family struct {
	Name       string
	Numbers    []Number
	Head, Tail int // sectors
	seed       uint64
	words      int   // bytes of the words in which a PC sees the whole disk reversed, 0 or 1 for none
	sums       []sum // in the order in which the device computes them
	twins      []twin
	chains     []chain
	serialAt   int // byte in sector 0, 8 bytes, 0 for none
	clockAt    int // byte in sector 0, 4 bytes, 0 for none
	logAt      int // sector of a log of which few bytes change, 0 for none
	songs      int // sectors of songs in the head, at its end
	numberAt   int // byte of the copy number
}

// Unit is one device of a family.
type Unit struct {
	Serial uint64 // of the unit
	Clock  uint64 // when it was last used
	Songs  uint64 // what was recorded
}

// Disk returns a disk of n sectors as the device leaves it.
func (f *Family) Disk(n disk.Sector, u Unit) *imagetest.Disk {
	d := imagetest.New(n, sectorSize)
	put := func(at disk.Sector, b []byte) { d.Put(at, reversed(b, f.words)) }
	head := f.head(int64(n), u)
	for i := range f.Head {
		put(disk.Sector(i), head[i*sectorSize:(i+1)*sectorSize])
	}
	for end, b := range f.tailOnly(int64(n)) {
		put(n-disk.Sector(end), b)
	}
	for _, t := range f.twins {
		put(n-disk.Sector(t.end), f.copyOf(head, t))
	}
	return d
}

// reversed returns b with the bytes of every word in reverse.
func reversed(b []byte, words int) []byte {
	words = max(1, words)
	out := make([]byte, len(b))
	for i := range b {
		w := i / words * words
		out[i] = b[w+words-1-(i-w)]
	}
	return out
}

// head returns the head of a disk as the device sees it.
func (f *Family) head(n int64, u Unit) []byte {
	b := make([]byte, f.Head*sectorSize)
	noise := func(at, count int, of, stream uint64) {
		r := rand.New(rand.NewPCG(of, stream))
		for i := range count {
			b[at+i] = byte(r.Uint32())
		}
	}
	for s := range f.Head {
		if s%3 != 2 {
			noise(s*sectorSize, 400, f.seed+uint64(s)<<32, 1)
		}
	}
	copy(b[16:], "INVENTED UNIT   ")
	noise((f.Head-f.songs)*sectorSize, f.songs*sectorSize, u.Songs, 2)
	if f.serialAt > 0 {
		noise(f.serialAt, 8, u.Serial, 3)
	}
	if f.clockAt > 0 {
		noise(f.clockAt, 4, u.Clock, 4)
	}
	f.decoys(b, n, u)
	for _, x := range f.Numbers {
		if !x.FromEnd {
			at := x.Sector*sectorSize + x.Byte
			x.Write(b[at:at+x.Width], x.Of(n))
		}
	}
	for _, s := range f.sums {
		putSum(b, s)
	}
	return b
}

// decoys puts what must not be taken for structure where the owner's data are:
// a boot signature and the size of the disk in a song, and in a log, where
// little else changes, the size on some units only.
func (f *Family) decoys(b []byte, n int64, u Unit) {
	if f.songs >= 4 {
		at := (f.Head - f.songs + 1) * sectorSize
		b[at+510], b[at+511] = 0x55, 0xAA
		binary.LittleEndian.PutUint32(b[at+700:], uint32(n))
	}
	if f.logAt > 0 {
		at := f.logAt*sectorSize + 64
		r := rand.New(rand.NewPCG(u.Clock, 5))
		binary.BigEndian.PutUint32(b[at:], uint32(u.Clock)*97+1000) // always later
		binary.LittleEndian.PutUint32(b[at+8:], r.Uint32())
		if u.Clock%2 == 0 {
			binary.LittleEndian.PutUint32(b[at+8:], uint32(n))
		}
	}
}

func putSum(b []byte, s sum) {
	clear(b[s.at : s.at+s.width])
	s.write(b[s.at:s.at+s.width], s.compute(b[s.from:s.to]))
}

// tailOnly returns the sectors of the tail that are no copies, by their
// distance from the end.
func (f *Family) tailOnly(n int64) map[int][]byte {
	out := map[int][]byte{}
	for _, x := range f.Numbers {
		if !x.FromEnd {
			continue
		}
		b := out[x.Sector]
		if b == nil {
			b = make([]byte, sectorSize)
			copy(b, "TAIL OF THE UNIT")
			out[x.Sector] = b
		}
		x.Write(b[x.Byte:x.Byte+x.Width], x.Of(n))
	}
	return out
}

// copyOf returns what the device writes as a copy of a sector of the head.
func (f *Family) copyOf(head []byte, t twin) []byte {
	b := bytes.Clone(head[t.of*sectorSize : (t.of+1)*sectorSize])
	if t.number > 0 {
		b[f.numberAt] = t.number
	}
	return reversed(b, t.words)
}

// Twins returns the pairs of sectors that the device keeps alike: of the head,
// and counted from the end.
func (f *Family) Twins() (pairs [][2]int) {
	for _, t := range f.twins {
		pairs = append(pairs, [2]int{t.of, t.end})
	}
	return pairs
}

// String describes the model, for the log of a test that failed.
func (f *Family) String() string {
	s := fmt.Sprintf("%s: head %d, words of %d, songs %d, %d copies", f.Name, f.Head, f.words, f.songs, len(f.twins))
	for _, x := range f.Numbers {
		s += fmt.Sprintf("; %d/%d %s", x.Sector, x.Byte, x.Kind)
	}
	for _, x := range f.sums {
		s += fmt.Sprintf("; %d/%d %s over %d to %d", x.at/sectorSize, x.at%sectorSize, x.kind, x.from, x.to)
	}
	return s
}
