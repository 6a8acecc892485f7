package capture

import (
	"bytes"
	"context"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// patternLine is the length of one line of the fill for missing sectors: 64
// divides every sector size.
const patternLine = 64

// putPattern fills buf, one whole sector, with the text that stands for a
// missing sector: 64-byte lines that name the sector itself.
func putPattern(buf []byte, x disk.Sector) {
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
	return x, isPattern(buf, x)
}

// isPattern tells whether buf, one whole sector, is the fill for sector x.
func isPattern(buf []byte, x disk.Sector) bool {
	if !bytes.HasPrefix(buf, []byte("MISSING SECTOR ")) {
		return false
	}
	want := make([]byte, len(buf))
	putPattern(want, x)
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

// fillMissing puts into the image what stands for a missing sector.
func (e *engine) fillMissing(s disk.Span) {
	b := make([]byte, e.rec.SectorSize)
	if e.rec.MissingAs == FillPattern {
		putPattern(b, s.Start)
	}
	e.j.put(s.Start, b)
}
