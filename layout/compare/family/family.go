// Package family makes invented device families for tests: disks of any size
// of one model, and the checks that the invented device does when it starts.
// Nothing of it comes from the packages under test: numbers, checksums and
// copies are written here once more, in another way.
package family

import (
	"bytes"
	"fmt"
	"math/rand/v2"

	"bootgraft/image"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
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

// sum is a checksum of the device.
type sum struct {
	sector, at, width int
	kind              string
	from, to          int // span in the sector; the checksum itself counts as zeros
	write             func(b []byte, v int64)
	compute           func(b []byte) int64
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
	sums       []sum
	twins      []twin
	serialAt   int // byte in sector 0, 8 bytes, 0 for none
	clockAt    int // byte in sector 0, 4 bytes, 0 for none
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
func (f *Family) Disk(n layout.Sector, u Unit) *imagetest.Disk {
	d := imagetest.New(n, sectorSize)
	head := f.head(int64(n), u)
	for i := range f.Head {
		d.Put(layout.Sector(i), head[i*sectorSize:(i+1)*sectorSize])
	}
	for _, x := range f.tailOnly(int64(n)) {
		d.Put(n-layout.Sector(x.end), x.data)
	}
	for _, t := range f.twins {
		d.Put(n-layout.Sector(t.end), f.copyOf(head, t))
	}
	return d
}

// head returns the head of a disk.
func (f *Family) head(n int64, u Unit) []byte {
	b := make([]byte, f.Head*sectorSize)
	code := rand.New(rand.NewPCG(f.seed, 1))
	for i := range b {
		if i%sectorSize < 400 && i/sectorSize%3 != 2 {
			b[i] = byte(code.Uint32())
		}
	}
	copy(b[16:], "INVENTED UNIT   ")
	songs := rand.New(rand.NewPCG(u.Songs, 2))
	for i := (f.Head - f.songs) * sectorSize; i < len(b); i++ {
		b[i] = byte(songs.Uint32())
	}
	f.decoys(b, n)
	if f.serialAt > 0 {
		r := rand.New(rand.NewPCG(u.Serial, 3))
		for i := range 8 {
			b[f.serialAt+i] = byte(r.Uint32())
		}
	}
	if f.clockAt > 0 {
		r := rand.New(rand.NewPCG(u.Clock, 4))
		for i := range 4 {
			b[f.clockAt+i] = byte(r.Uint32())
		}
	}
	for _, x := range f.Numbers {
		if !x.FromEnd {
			at := x.Sector*sectorSize + x.Byte
			x.Write(b[at:at+x.Width], x.Of(n))
		}
	}
	for _, s := range f.sums {
		f.putSum(b, s)
	}
	return b
}

// decoys puts what must not be taken for structure into the songs: a boot
// signature, and the size of the disk.
func (f *Family) decoys(b []byte, n int64) {
	if f.songs < 4 {
		return
	}
	at := (f.Head - f.songs + 1) * sectorSize
	b[at+510], b[at+511] = 0x55, 0xAA
	for i := range 4 {
		b[at+700+i] = byte(n >> (8 * i))
	}
}

func (f *Family) putSum(b []byte, s sum) {
	sec := b[s.sector*sectorSize : (s.sector+1)*sectorSize]
	clear(sec[s.at : s.at+s.width])
	s.write(sec[s.at:s.at+s.width], s.compute(sec[s.from:s.to]))
}

type tailSector struct {
	end  int
	data []byte
}

// tailOnly returns the sectors of the tail that are no copies.
func (f *Family) tailOnly(n int64) (out []tailSector) {
	bySector := map[int][]byte{}
	for _, x := range f.Numbers {
		if !x.FromEnd {
			continue
		}
		b := bySector[x.Sector]
		if b == nil {
			b = make([]byte, sectorSize)
			copy(b, "TAIL OF THE UNIT")
			bySector[x.Sector] = b
		}
		x.Write(b[x.Byte:x.Byte+x.Width], x.Of(n))
	}
	for end, b := range bySector {
		out = append(out, tailSector{end, b})
	}
	return out
}

// copyOf returns what the device writes as a copy of a sector of the head.
func (f *Family) copyOf(head []byte, t twin) []byte {
	b := bytes.Clone(head[t.of*sectorSize : (t.of+1)*sectorSize])
	if t.number > 0 {
		b[f.numberAt] = t.number
	}
	out := make([]byte, sectorSize)
	for i := range b {
		w := i / t.words * t.words
		out[i] = b[w+t.words-1-(i-w)]
	}
	return out
}

// Check does what the device does when it starts: it believes nothing about
// the disk but its real size, and returns what it finds wrong.
func (f *Family) Check(src image.Source) error {
	n := int64(image.Sectors(src))
	read := func(at layout.Sector) ([]byte, error) {
		return image.ReadSectors(src, layout.Span{Start: at, Count: 1})
	}
	for _, x := range f.Numbers {
		at := layout.Sector(x.Sector)
		if x.FromEnd {
			at = layout.Sector(n) - at
		}
		b, err := read(at)
		if err != nil {
			return err
		}
		want := make([]byte, x.Width)
		x.Write(want, x.Of(n))
		if have := b[x.Byte : x.Byte+x.Width]; !bytes.Equal(have, want) {
			return fmt.Errorf("%s at sector %d byte %d is % x, the device wants % x", x.Kind, at, x.Byte, have, want)
		}
	}
	for _, s := range f.sums {
		b, err := read(layout.Sector(s.sector))
		if err != nil {
			return err
		}
		full := append(make([]byte, s.sector*sectorSize), b...)
		f.putSum(full, s)
		if !bytes.Equal(full[s.sector*sectorSize:], b) {
			return fmt.Errorf("checksum %s of sector %d is wrong", s.kind, s.sector)
		}
	}
	return f.checkTwins(read, n)
}

// checkTwins compares the copies at the end with the head.
func (f *Family) checkTwins(read func(layout.Sector) ([]byte, error), n int64) error {
	for _, t := range f.twins {
		of, err := read(layout.Sector(t.of))
		if err != nil {
			return err
		}
		to, err := read(layout.Sector(n) - layout.Sector(t.end))
		if err != nil {
			return err
		}
		head := append(make([]byte, t.of*sectorSize), of...)
		if !bytes.Equal(to, f.copyOf(head, t)) {
			return fmt.Errorf("the copies disagree: sector %d and the one %d before the end", t.of, t.end)
		}
	}
	return nil
}

// Twins returns the pairs of sectors that the device keeps alike: of the head,
// and counted from the end.
func (f *Family) Twins() (pairs [][2]int) {
	for _, t := range f.twins {
		pairs = append(pairs, [2]int{t.of, t.end})
	}
	return pairs
}
