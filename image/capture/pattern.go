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
	n := int64(src.SectorSize())
	whole := int64(image.Sectors(src)) * n
	var out Pattern
	buf := make([]byte, blockBytes)
	for off := int64(0); off < whole; {
		if err := ctx.Err(); err != nil {
			return Pattern{}, err
		}
		start, end := image.NextData(src, off)
		if start = start / n * n; start >= whole {
			break
		}
		end = min((min(end, start+blockBytes)+n-1)/n*n, whole)
		b := buf[:end-start]
		if err := image.ReadFull(src, b, start); err != nil {
			return Pattern{}, err
		}
		for i := int64(0); i < int64(len(b)); i += n {
			if b[i] != 'M' {
				continue
			}
			at := disk.Span{Start: disk.Sector((start + i) / n), Count: 1}
			switch x, ok := patternOf(b[i : i+n]); {
			case ok && x == at.Start:
				out.Own = out.Own.Add(at)
			case ok:
				out.Other = out.Other.Add(at)
			}
		}
		if progress != nil {
			progress(end, whole)
		}
		off = end
	}
	return out, nil
}
