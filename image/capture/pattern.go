package capture

import (
	"bytes"
	"fmt"

	"bootgraft/image"
	"bootgraft/layout"
)

// patternLine is the length of one line of the fill for missing sectors: 64
// divides every sector size.
const patternLine = 64

// putPattern fills buf, one whole sector, with the text that stands for a
// missing sector: 64-byte lines that name the sector itself.
func putPattern(buf []byte, x layout.Sector) {
	line := fmt.Appendf(nil, "%-63s\n", fmt.Sprintf("MISSING SECTOR %019d bootgraft: see the .record", x))
	for i := 0; i < len(buf); i += patternLine {
		copy(buf[i:], line)
	}
}

// isPattern tells whether buf, one whole sector, is the fill for sector x.
func isPattern(buf []byte, x layout.Sector) bool {
	if !bytes.HasPrefix(buf, []byte("MISSING SECTOR ")) {
		return false
	}
	want := make([]byte, len(buf))
	putPattern(want, x)
	return bytes.Equal(buf, want)
}

// FindPattern reads the whole of an image without a record and returns the
// sectors that hold the fill for missing sectors: they are not data. An image
// that has any was made by a capture; its record belongs beside it, for holes
// and zeros of the image may be sectors that were never read.
func FindPattern(src image.Source) (layout.Spans, error) {
	n := int64(src.SectorSize())
	var out layout.Spans
	buf := make([]byte, blockBytes)
	for off := int64(0); off < src.Size(); {
		start, end := image.NextData(src, off)
		start = start / n * n
		if start >= int64(image.Sectors(src))*n {
			break
		}
		end = min(end, start+blockBytes, int64(image.Sectors(src))*n)
		end = min((end+n-1)/n*n, int64(image.Sectors(src))*n)
		b := buf[:end-start]
		if err := image.ReadFull(src, b, start); err != nil {
			return nil, err
		}
		for i := int64(0); i < int64(len(b)); i += n {
			if x := layout.Sector((start + i) / n); isPattern(b[i:i+n], x) {
				out = out.Add(layout.Span{Start: x, Count: 1})
			}
		}
		off = end
	}
	return out, nil
}
