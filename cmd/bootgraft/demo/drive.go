package demo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
	"bootgraft/safety/newfile"
)

// The invented drive, in sectors of 512 bytes. Its volume ends before its
// tail, as on drives whose maker kept the end for himself.
const (
	sectorSize = 512
	// DriveSectors is the size of the drive: 520 cylinders of 16 heads and 63 sectors.
	DriveSectors  = 524_160
	volumeStart   = 63
	volumeSectors = 504_000
	tailSectors   = 256
	largerCard    = 614_400
	smallerCard   = 480_000
	tooSmallCard  = 200_000
	damagedByte   = 6_100*sectorSize + 77 // a byte of a recording, that verify has to find
)

// collection is an invented collection: folders and the songs in them.
var collection = []struct {
	folder string
	year   int
	songs  []string
}{
	{"Mill Lane 1998", 1998, []string{"The Hare's Wedding", "Ropewalk Reel", "Under the Pear Tree", "Nine Lanterns",
		"The Ferryman's Count"}},
	{"Saltings 1999", 1999, []string{"Grey Goose Over", "Salt on the Sill", "The Eel Catcher", "Low Water Lullaby",
		"Marsh Bells"}},
	{"Upper Quill 2000", 2000, []string{"Thresher's Round", "Cold Harvest", "The Miller's Three Keys", "Barley Queen",
		"Candle Auction"}},
	{"Fairground 2001", 2001, []string{"Gallopers", "The Penny Organ", "Whistle Seller", "Last Ride Home"}},
	{"Winter room 2002", 2002, []string{"Hearth Song", "Twelve Doors", "Frost Carol", "The Wool Winder",
		"Old Year's Turning"}},
}

// MakeDrive writes the image of the invented drive.
func MakeDrive(path string) (err error) {
	f, err := newfile.Create(path, 0)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := f.Truncate(DriveSectors * sectorSize); err != nil {
		return err
	}
	return DriveInto(f)
}

// DriveInto lays down the drive on what is blank and holds DriveSectors of 512 bytes.
func DriveInto(w io.WriterAt) error {
	if err := writeVolume(io.NewOffsetWriter(w, volumeStart*sectorSize)); err != nil {
		return err
	}
	head, tail := bootAreas()
	if _, err := w.WriteAt(head, 0); err != nil {
		return err
	}
	_, err := w.WriteAt(tail, (DriveSectors-tailSectors)*sectorSize)
	return err
}

// bootAreas returns sectors 0 to 62 and the tail. The device finds its
// program in sector 1, checks its sum, and reads its calibration from the
// last 256 sectors of the disk.
func bootAreas() (head, tail []byte) {
	rng := rand.New(rand.NewPCG(1998, 7))
	noise := func(b []byte) {
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
	}
	head = make([]byte, volumeStart*sectorSize)
	g := mbr.Geometry{Heads: 16, SectorsPerTrack: 63}
	noise(head[:64])
	record := head[446:]
	record[0], record[4] = 0x80, 0x0B
	start, end := mbr.FromLBA(volumeStart, g).Pack(), mbr.EndCHS(volumeStart, volumeSectors, g).Pack()
	copy(record[1:], start[:])
	copy(record[5:], end[:])
	binary.LittleEndian.PutUint32(record[8:], volumeStart)
	binary.LittleEndian.PutUint32(record[12:], volumeSectors)
	head[510], head[511] = 0x55, 0xAA

	area := head[sectorSize : 49*sectorSize]
	noise(area[64:])
	copy(area, "QUILLHAVEN FIELD RECORDER  BOOT 2.17")
	binary.BigEndian.PutUint32(area[40:], DriveSectors)
	binary.LittleEndian.PutUint32(area[44:], DriveSectors-1)
	binary.BigEndian.PutUint32(area[48:], DriveSectors-tailSectors)
	var sum uint32
	for _, b := range area {
		sum += uint32(b)
	}
	binary.BigEndian.PutUint32(head[49*sectorSize:], sum)

	tail = make([]byte, tailSectors*sectorSize)
	noise(tail[:40*sectorSize])
	copy(tail, "CALIBRATION  MIC A  MIC B  LINE")
	copy(tail[(tailSectors-1)*sectorSize:], "END OF DISK")
	return head, tail
}

// writeVolume lays down the FAT32 volume with the recordings.
func writeVolume(w io.WriterAt) error {
	v, err := format.New(w, format.Options{
		Sectors: volumeSectors, Kind: fat.FAT32, SectorsPerCluster: 4, Hidden: volumeStart,
		SectorsPerTrack: 63, Heads: 16, OEM: "QUILL2.1", Label: "SONGS", ID: 0x19980704,
		Time: time.Date(1998, 7, 4, 9, 30, 0, 0, time.UTC),
	})
	if err != nil {
		return err
	}
	day := 0
	for _, c := range collection {
		when := time.Date(c.year, 6, 1, 14, 0, 0, 0, time.UTC)
		if err := v.Mkdir(c.folder, format.File{Modified: when}); err != nil {
			return err
		}
		note := fmt.Sprintf("%s: %d songs, written down on the spot.\r\n", c.folder, len(c.songs))
		if err := v.Add(c.folder+"/NOTES.TXT", strings.NewReader(note), int64(len(note)),
			format.File{Modified: when}); err != nil {
			return err
		}
		for i, song := range c.songs {
			day++
			wav := Song(day, 3+i)
			name := fmt.Sprintf("%s/%02d %s.wav", c.folder, i+1, song)
			if err := v.Add(name, bytes.NewReader(wav), int64(len(wav)),
				format.File{Modified: when.AddDate(0, 0, day)}); err != nil {
				return err
			}
		}
	}
	return v.Close()
}

// Song makes some seconds of a plucked tune, 16-bit mono at 22,050 Hz.
func Song(seed, seconds int) []byte {
	const rate = 22050
	scale := []float64{293.7, 329.6, 370.0, 392.0, 440.0, 493.9, 554.4, 587.3}
	rng := rand.New(rand.NewPCG(uint64(seed), 42))
	n := seconds * rate
	out := make([]byte, 44+2*n)
	copy(out, "RIFF")
	binary.LittleEndian.PutUint32(out[4:], uint32(36+2*n))
	copy(out[8:], "WAVEfmt ")
	for i, v := range []uint32{16, 1 | 1<<16, rate, 2 * rate, 2 | 16<<16} {
		binary.LittleEndian.PutUint32(out[16+4*i:], v)
	}
	copy(out[36:], "data")
	binary.LittleEndian.PutUint32(out[40:], uint32(2*n))
	note := scale[0]
	for i := range n {
		beat := i % (rate / 3)
		if beat == 0 {
			note = scale[rng.IntN(len(scale))]
		}
		t := float64(beat) / rate
		s := math.Sin(2*math.Pi*note*t) * math.Exp(-4*t) * 12000
		binary.LittleEndian.PutUint16(out[44+2*i:], uint16(int16(s)))
	}
	return out
}

// flipByte changes one byte of a file.
func flipByte(path string, at int64) (err error) {
	f, err := newfile.Open(path, 0)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	var b [1]byte
	if _, err := f.ReadAt(b[:], at); err != nil {
		return err
	}
	b[0] ^= 0x10
	_, err = f.WriteAt(b[:], at)
	return err
}
