package demo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/newfile"
)

// The invented multitrack, in sectors of 512 bytes: a maker's own layout, no
// table, no volume. Sector 0 names the unit and the size, 1 the table of
// blocks, 2 to 20 hold the program; songs begin at 64. The first five sectors
// stand at the end of the disk once more, in reverse order, with a copy number.
const (
	modelSystem = 64 // sectors in front of the songs
	modelBlock  = 24 // sectors of a block of a song
	modelCopies = 5
	modelCard   = 1_500_001
)

// modelDrives are the drives of four units: two of one size tell the serial number
// from a number that follows the size.
var modelDrives = []struct {
	file    string
	sectors int64
	serial  uint64
}{
	{"workshop.img", 409_146, 1101},
	{"choir.img", 1_108_800, 1376},
	{"spare.img", 1_951_081, 2040},
	{"chapel.img", 1_108_800, 1412},
}

// modelHead returns the system area of a unit with a disk of n sectors.
func modelHead(n int64, serial uint64) []byte {
	b := make([]byte, modelSystem*sectorSize)
	program := rand.New(rand.NewPCG(8, 24))
	for i := 2 * sectorSize; i < 20*sectorSize; i++ {
		b[i] = byte(program.Uint32())
	}
	copy(b, "BRAMBLE EIGHT  TABLETOP MULTITRACK  1.04")
	binary.BigEndian.PutUint64(b[48:], serial*0x9E3779B97F4A7C15)
	binary.BigEndian.PutUint32(b[64:], uint32(n-1))
	binary.BigEndian.PutUint32(b[72:], uint32(n/modelBlock))
	binary.BigEndian.PutUint16(b[508:], modelSum(b[:508]))
	table := b[sectorSize:]
	copy(table, "BLOCKS")
	binary.BigEndian.PutUint32(table[16:], modelSystem)
	binary.BigEndian.PutUint32(table[20:], uint32(n-modelCopies))
	return b
}

// modelSum adds the bytes up.
func modelSum(b []byte) (sum uint16) {
	for _, c := range b {
		sum += uint16(c)
	}
	return sum
}

// modelTail returns the copies at the end.
func modelTail(head []byte) []byte {
	b := make([]byte, modelCopies*sectorSize)
	for i := range modelCopies {
		s := b[(modelCopies-1-i)*sectorSize:]
		copy(s, head[i*sectorSize:(i+1)*sectorSize])
		s[510] = 1 // the copy number
	}
	return b
}

// makeModelDrive writes the image of one unit's drive, with a song on it.
func makeModelDrive(path string, n int64, serial uint64) (err error) {
	f, err := newfile.Create(path, 0)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	head := modelHead(n, serial)
	song := Song(int(serial), 4)
	_, err1 := f.WriteAt(head, 0)
	_, err2 := f.WriteAt(song, modelSystem*sectorSize)
	_, err3 := f.WriteAt(modelTail(head), (n-modelCopies)*sectorSize)
	return errors.Join(f.Truncate(n*sectorSize), err1, err2, err3)
}

// startModel does what the invented device does when it starts: it believes
// nothing about the disk but its real size. The error is what it would show.
func startModel(path string) error {
	src, err := image.Open(path, sectorSize)
	if err != nil {
		return err
	}
	defer src.Close()
	n := image.Sectors(src)
	head, err := image.ReadSectors(src, disk.Span{Count: modelSystem})
	if err != nil {
		return err
	}
	tail, err := image.ReadSectors(src, disk.Span{Start: n - modelCopies, Count: modelCopies})
	if err != nil {
		return err
	}
	want := modelHead(int64(n), 0)
	copy(want[48:56], head[48:56]) // any unit starts
	binary.BigEndian.PutUint16(want[508:], modelSum(want[:508]))
	switch {
	case modelSum(head[:508]) != binary.BigEndian.Uint16(head[508:]):
		return errors.New("SYSTEM AREA DAMAGED")
	case !bytes.Equal(head[:2*sectorSize], want[:2*sectorSize]):
		return fmt.Errorf("WRONG DISK SIZE: %d SECTORS EXPECTED", binary.BigEndian.Uint32(head[64:])+1)
	case !bytes.Equal(head, want):
		return errors.New("NO PROGRAM")
	case !bytes.Equal(tail, modelTail(head)):
		return errors.New("SYSTEM AREAS DIFFER. FORMAT? Y/N")
	}
	return nil
}
