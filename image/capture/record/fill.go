package record

import (
	"bytes"
	"context"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Fill is what stands in the image for a missing sector.
type Fill string

// The fills.
const (
	FillPattern Fill = "pattern" // a text with the sector's own number
	FillZero    Fill = "zero"
)

// patternLine is the length of one line of the fill for missing sectors: 64
// divides every sector size.
const patternLine = 64

// PutPattern fills buf, one whole sector, with the text that stands for a
// missing sector: 64-byte lines that name the sector itself.
func PutPattern(buf []byte, x disk.Sector) {
	line := fmt.Appendf(nil, "%-63s\n", fmt.Sprintf("MISSING SECTOR %019d bootgraft: see the .record", x))
	for i := 0; i < len(buf); i += patternLine {
		copy(buf[i:], line)
	}
}

// patternOf returns the sector for which buf, one whole sector, is the fill. A
// fill for larger sectors that was cut into smaller ones is one too.
func patternOf(buf []byte) (x disk.Sector, ok bool) {
	if !bytes.HasPrefix(buf, []byte("MISSING SECTOR ")) {
		return 0, false
	}
	if _, err := fmt.Sscanf(string(buf[:min(patternLine, len(buf))]), "MISSING SECTOR %d", &x); err != nil {
		return 0, false
	}
	return x, IsPattern(buf, x)
}

// IsPattern tells whether buf, one whole sector, is the fill for sector x.
func IsPattern(buf []byte, x disk.Sector) bool {
	if !bytes.HasPrefix(buf, []byte("MISSING SECTOR ")) {
		return false
	}
	want := make([]byte, len(buf))
	PutPattern(want, x)
	return bytes.Equal(buf, want)
}

// Pattern is what FindPattern found of the fill for missing sectors.
type Pattern struct {
	Own   disk.Spans // sectors that hold their own fill: they are not data
	Other disk.Spans // sectors that hold the fill of another sector
}

// FindPattern reads the whole of an image without a record and returns the
// sectors that hold the fill for missing sectors. An image in which a sector holds
// its own was made by a capture; its record belongs beside it, for holes and zeros
// of the image may be sectors that were never read. One that holds the fill of
// another sector was cut out of a capture, or quotes one in a file.
func FindPattern(ctx context.Context, src image.Source, progress func(done, total int64)) (Pattern, error) {
	var out Pattern
	n := int64(src.SectorSize())
	done, whole := int64(0), image.Whole(src)
	err := image.Runs(ctx, src, whole, image.Visitor{
		Sector: func(x disk.Sector, b []byte) {
			if b[0] != 'M' {
				return
			}
			at := disk.Span{Start: x, Count: 1}
			switch named, ok := patternOf(b); {
			case ok && named == x:
				out.Own = out.Own.Add(at)
			case ok:
				out.Other = out.Other.Add(at)
			}
		},
		Moved: func(count disk.Sector) {
			if done += int64(count) * n; progress != nil {
				progress(done, int64(whole.Count)*n)
			}
		},
	})
	if err != nil {
		return Pattern{}, err
	}
	return out, nil
}

// HoldsFill tells whether an image of any sector size holds the fill for a
// missing sector: it was made by a capture, whatever became of its record. It
// reads up to the first such sector.
func HoldsFill(img image.Source) (bool, error) {
	const unit = 512 // the smallest sector; the fill of larger ones repeats itself
	buf := make([]byte, BlockBytes)
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
		if off%size == 0 && IsPattern(b, disk.Sector(off/size)) {
			return true
		}
	}
	return false
}
