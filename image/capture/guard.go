package capture

import (
	"bytes"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// LostRecordError says that an image holds the fill of a capture, but has no
// record beside it.
type LostRecordError struct{ Sector disk.Sector }

func (e *LostRecordError) Error() string {
	return fmt.Sprintf(
		"sector %d holds the fill that a capture puts where the drive failed, "+
			"and the record of the capture is not here. Keep both files together: put the image's %s file beside it, "+
			"or name it with --record",
		e.Sector, record.Suffix)
}

// Guard returns an image that has no record, in which the fill of a capture
// is never passed off as data: a read that meets it is a *LostRecordError,
// and, as nobody knows the sector, an *image.UnknownError too.
func guard(img image.Source) image.Source { return &guarded{img} }

type guarded struct{ image.Source }

// shortestFill is how many bytes of a sector have to look like the fill: fewer
// may do so by chance, and 16 random bytes do with 2^-128.
const shortestFill = 16

// ReadAt reads, and looks at every sector of what was read, whole or in part.
func (g *guarded) ReadAt(p []byte, off int64) (int, error) {
	n, err := g.Source.ReadAt(p, off)
	size := int64(g.SectorSize())
	for at := off; at < off+int64(n); {
		x := at / size
		end := min((x+1)*size, off+int64(n))
		if isFill(p[at-off:end-off], disk.Sector(x), int(at-x*size), int(size)) {
			return 0, fmt.Errorf("%w: %w", &LostRecordError{disk.Sector(x)},
				&image.UnknownError{Span: disk.Span{Start: disk.Sector(x), Count: 1}, State: image.Missing})
		}
		at = end
	}
	return n, err
}

// isFill tells whether part, which begins at byte off of sector x, is of the
// fill for that sector.
func isFill(part []byte, x disk.Sector, off, size int) bool {
	if len(part) < shortestFill || off == 0 && part[0] != 'M' {
		return false
	}
	if off == 0 && len(part) == size {
		return record.IsPattern(part, x)
	}
	want := make([]byte, size)
	record.PutPattern(want, x)
	return bytes.Equal(part, want[off:off+len(part)])
}

// NextData implements image.Sparse.
func (g *guarded) NextData(off int64) (start, end int64) { return image.NextData(g.Source, off) }

// Unknown implements image.Partial.
func (g *guarded) Unknown(w disk.Span) disk.Spans { return image.Unknown(g.Source, w) }
