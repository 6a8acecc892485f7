package capture

import (
	"io"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// RecordedSize reads the beginning of a record and returns the size of its drive
// in bytes, or false if it does not say so.
func RecordedSize(r io.Reader) (size int64, known bool) {
	s := record.NewScanner(r)
	for {
		l, err := s.Next()
		if err != nil || l.Verb != record.VerbWords && l.Verb != record.VerbRecord && l.Verb != record.VerbDisk {
			return 0, false
		}
		if l.Verb == record.VerbDisk {
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
