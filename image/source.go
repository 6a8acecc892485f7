// Package image is bytes: disks and disk images as something to read, and
// nothing else. It cannot write and makes no ioctl.
//
// A read that touches a sector which the source does not know fails with an
// UnknownError; no function ever returns fill as data.
package image

import (
	"errors"
	"fmt"
	"io"

	"bootgraft/image/disk"
)

// Source is the bytes of a disk, or of a part of one. ReadAt follows
// io.ReaderAt and may be called from several goroutines at once.
type Source interface {
	io.ReaderAt
	Size() int64     // bytes; need not be whole sectors
	SectorSize() int // logical sector size in bytes, a power of two from 512 to 4096
}

// Sparse is implemented by a Source that knows where nothing is stored.
type Sparse interface {
	// NextData returns the first run of stored bytes [start, end) with
	// start >= off, or with start <= off < end. What lies between off and
	// start reads as zeros. At the end of the source start and end are Size.
	NextData(off int64) (start, end int64)
}

// Partial is implemented by a Source of which some sectors are not known.
type Partial interface {
	// Unknown returns the sectors of w that cannot be read, in order.
	Unknown(w disk.Span) disk.Spans
}

// State says why a sector is not known. The states are never mixed.
type State string

// The states of a sector that is not known.
const (
	Missing State = "missing"                   // tried, and the drive failed
	Unread  State = "unread"                    // not tried
	Skipped State = "skipped"                   // left out because the owner asked for it
	NotSent State = "not kept"                  // known once, not part of this file
	Left    State = "left as the card has them" // in a planned card: nothing is written there
)

// UnknownError is returned by a read that touches sectors which the source
// does not know.
type UnknownError struct {
	disk.Span       // the first run of such sectors in the read
	State     State // of its first sector
}

func (e *UnknownError) Error() string {
	return fmt.Sprintf("sectors %s are %s in the source", e.Span, e.State)
}

// MaxRead is the most that ReadSectors returns at once, in bytes. Parsers
// bound their own lengths first, this one bounds what they forget. By hand, no source:
// an array that any format reads at once is far smaller.
const MaxRead = 256 << 20

// Sectors returns how many whole sectors the source holds.
func Sectors(src Source) disk.Sector {
	return disk.Sector(src.Size() / int64(src.SectorSize()))
}

// Whole returns the span of all whole sectors of the source.
func Whole(src Source) disk.Span { return disk.Span{Count: Sectors(src)} }

// Unknown returns the sectors of w that the source does not know: none for a
// source that is not Partial.
func Unknown(src Source, w disk.Span) disk.Spans {
	if p, ok := src.(Partial); ok {
		return p.Unknown(w)
	}
	return nil
}

// ReadSectors returns the bytes of the given sectors of the source, all of
// them or an error that names the sector where reading failed.
func ReadSectors(src Source, s disk.Span) ([]byte, error) {
	size := int64(src.SectorSize())
	if s.Start < 0 || s.Count < 0 || s.Start > Sectors(src) || s.Count > Sectors(src)-s.Start {
		return nil, fmt.Errorf("sectors %s are outside the source of %d sectors", s, Sectors(src))
	}
	if int64(s.Count) > MaxRead/size {
		return nil, fmt.Errorf("sectors %s are more than can be read at once (%d bytes)", s, MaxRead)
	}
	buf := make([]byte, int64(s.Count)*size)
	if err := ReadFull(src, buf, int64(s.Start)*size); err != nil {
		return nil, fmt.Errorf("reading sectors %s: %w", s, err)
	}
	return buf, nil
}

// ReadSector returns the bytes of one sector.
func ReadSector(src Source, x disk.Sector) ([]byte, error) {
	return ReadSectors(src, disk.Span{Start: x, Count: 1})
}

// ReadFull fills buf from byte off of the source. A source that ends early is
// io.ErrUnexpectedEOF. What comes with an error is no data, however much it is.
func ReadFull(src io.ReaderAt, buf []byte, off int64) error {
	n, err := src.ReadAt(buf, off)
	switch {
	case n == len(buf) && (err == nil || errors.Is(err, io.EOF)):
		return nil
	case err == nil || errors.Is(err, io.EOF):
		return fmt.Errorf("at byte %d: %w", off+int64(n), io.ErrUnexpectedEOF)
	default:
		return err
	}
}

// NextData returns the next stored run of src at or after off, as Sparse does.
// For a source that is not Sparse that is everything from off.
func NextData(src Source, off int64) (start, end int64) {
	if s, ok := src.(Sparse); ok {
		return s.NextData(off)
	}
	return min(off, src.Size()), src.Size()
}

// CheckSectorSize returns an error unless n is a logical sector size that
// disks of this kind have.
func CheckSectorSize(n int) error {
	switch n {
	case 512, 1024, 2048, 4096:
		return nil
	}
	return fmt.Errorf("a sector size of %d bytes is not possible here: it is 512, 1024, 2048 or 4096", n)
}
