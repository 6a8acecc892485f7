package capture

import (
	"bytes"
	"fmt"
	"hash/crc32"
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// openingLine is the first line of every record.
var openingLine = func() []byte {
	text := "# " + words[0] + "\n"
	return fmt.Appendf(nil, "%08x %s", crc32.ChecksumIEEE([]byte(text)), text)
}()

// IsRecord tells whether a file that begins with head is a record. A record that
// was cut off in its first line, or has a wrong bit in it, is one too: nobody
// else begins a file so.
func IsRecord(head []byte) bool {
	const digits = 9 // and the blank
	if n := min(len(head), len(openingLine)); n < len(openingLine) {
		return n >= digits && bytes.Equal(head, openingLine[:n])
	}
	line := head[:len(openingLine)]
	return bytes.Equal(line[:digits], openingLine[:digits]) || bytes.Equal(line[digits:], openingLine[digits:])
}

// RecordedSize reads the beginning of a record and returns the size of its drive
// in bytes, or false if it does not say so.
func RecordedSize(r io.Reader) (size int64, known bool) {
	s := NewScanner(r)
	for {
		l, err := s.Next()
		if err != nil || l.Verb != VerbWords && l.Verb != VerbRecord && l.Verb != VerbDisk {
			return 0, false
		}
		if l.Verb == VerbDisk {
			g := Geometry{Sectors: disk.Sector(l.Numbers[0]), SectorSize: int(min(l.Numbers[1], 1<<20)), MissingAs: FillZero}
			return int64(g.Sectors) * int64(g.SectorSize), g.check() == nil
		}
	}
}

// HoldsFill tells whether an image of any sector size holds the fill for a
// missing sector: it was made by a capture, whatever became of its record. It
// reads up to the first such sector.
func HoldsFill(img image.Source) (bool, error) {
	const unit = 512 // the smallest sector; the fill of larger ones repeats itself
	buf := make([]byte, blockBytes)
	for off := int64(0); off < img.Size(); {
		start, end := image.NextData(img, off)
		start = start / unit * unit
		if end <= start {
			break
		}
		end = min((end+unit-1)/unit*unit, img.Size(), start+int64(len(buf)))
		b := buf[:end-start]
		if err := image.ReadFull(img, b, start); err != nil {
			return false, err
		}
		for i := 0; i+unit <= len(b); i += unit {
			if fillsAnySize(b[i:i+unit], start+int64(i)) {
				return true, nil
			}
		}
		off = end
	}
	return false, nil
}

// fillsAnySize tells whether the bytes at off are the fill of a sector of any
// size.
func fillsAnySize(b []byte, off int64) bool {
	for _, size := range []int64{512, 1024, 2048, 4096} {
		if off%size == 0 && isPattern(b, disk.Sector(off/size)) {
			return true
		}
	}
	return false
}
