package disks

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// Noise fills sectors with bytes that depend on seed and are never 00 or FF.
func Noise(d *imagetest.Disk, s disk.Span, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 1))
	b := make([]byte, d.SectorSize())
	for x := s.Start; x < s.End(); x++ {
		for i := range b {
			b[i] = byte(1 + r.IntN(254))
		}
		b[510], b[511] = 1, 1 // never a boot sector by chance
		d.Put(x, b)
	}
}

// FAT lays down a FAT volume in the given sectors, with files of made-up
// recordings whose sizes are given in bytes.
func FAT(d *imagetest.Disk, s disk.Span, kind fat.Kind, sizes ...int) {
	size := d.SectorSize()
	o := format.Options{
		Sectors: int64(s.Count), BytesPerSector: size, Kind: kind, Hidden: uint32(s.Start),
		Label: "SONGS", ID: 0x12345678, Time: time.Date(2004, 5, 6, 7, 8, 10, 0, time.UTC),
	}
	if kind != 0 {
		o.SectorsPerCluster = 1
	}
	v, err := format.New(io.NewOffsetWriter(d, int64(s.Start)*int64(size)), o)
	if err != nil {
		panic(err)
	}
	if err := v.Mkdir("TAKES", format.File{}); err != nil {
		panic(err)
	}
	for i, n := range sizes {
		b := Recording(n, uint64(i)+uint64(s.Start))
		if err := v.Add(fmt.Sprintf("TAKES/SONG%d.WAV", i), bytes.NewReader(b), int64(n),
			format.File{Fragment: 3}); err != nil {
			panic(err)
		}
	}
	if err := v.Close(); err != nil {
		panic(err)
	}
}

// Recording returns n made-up bytes.
func Recording(n int, seed uint64) []byte {
	r := rand.New(rand.NewPCG(seed, 2))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// Insert copies a small disk, such as a volume of testdata, to a sector.
func Insert(d *imagetest.Disk, at disk.Sector, v *imagetest.Disk) {
	b := make([]byte, v.Size())
	if _, err := v.ReadAt(b, 0); err != nil && err != io.EOF {
		panic(err)
	}
	d.Put(at, b)
}
