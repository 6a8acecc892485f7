// Package pieces puts a drive together of which only plain files with some of
// its sectors are left, such as its head and its tail. It reads them and never
// writes; what no piece holds is unread, and never zeros.
package pieces

import (
	"fmt"
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Piece is a plain file that holds some sectors of a drive.
type Piece struct {
	disk.Span
	Img *image.File
}

// Drive is a drive of which only plain pieces are there.
type Drive struct {
	sectors disk.Sector
	size    int // of a sector, bytes
	list    []Piece
}

// New returns a drive of n sectors of which no piece is there yet.
func New(n disk.Sector, sectorSize int) *Drive { return &Drive{sectors: n, size: sectorSize} }

// ContradictionError says that a piece cannot lie where it was put, or that two
// pieces are not of one drive.
type ContradictionError struct{ text string }

func (e *ContradictionError) Error() string { return e.text }

func contradiction(format string, args ...any) error {
	return &ContradictionError{fmt.Sprintf(format, args...)}
}

// Pieces returns the pieces in the order in which they were added.
func (p *Drive) Pieces() []Piece { return p.list }

// Known returns the drive with everything unread that no piece holds.
func (p *Drive) Known() image.Source {
	var known disk.Spans
	for _, q := range p.list {
		known = known.Union(disk.Spans{q.Span})
	}
	return image.NewKnown(p, known.Outside(disk.Span{Count: p.sectors}), nil)
}

// Add puts the file path as a piece where its first sector is sector start of
// the drive. place is the place as it was typed.
func (p *Drive) Add(start disk.Sector, path, place string) error {
	img, err := image.Open(path, p.size)
	if err != nil {
		return err
	}
	q := Piece{disk.Span{Start: start, Count: image.Sectors(img)}, img}
	p.list = append(p.list, q)
	switch {
	case img.Size()%int64(p.size) != 0 || img.Size() == 0:
		return fmt.Errorf("%s has %d bytes, which are not whole sectors of %d", path, img.Size(), p.size)
	case start < 0 || q.Count > p.sectors || start > p.sectors-q.Count:
		return contradiction(
			"%s has %s and would lie at %s: it is not inside the drive of %s. Is --sectors right?",
			path, disk.Counted(q.Count, "sector"), place, disk.Counted(p.sectors, "sector"))
	}
	return nil
}

// Close closes every piece.
func (p *Drive) Close() error {
	for _, q := range p.list {
		q.Img.Close() // read only: nothing can be lost
	}
	return nil
}

// Agree refuses pieces that overlap and differ.
func (p *Drive) Agree() error {
	for i, a := range p.list {
		for _, b := range p.list[:i] {
			common := a.Common(b.Span)
			if common.Empty() {
				continue
			}
			at, err := firstDifference(a, b, common, int64(p.size))
			if err != nil {
				return err
			}
			if at >= 0 {
				n := int64(p.size)
				return contradiction(
					"%s and %s both hold sector %d of the drive and differ there, at byte %d: "+
						"they are not of one drive, or not from the same time, or --sectors or a place is wrong",
					b.Img.Name(), a.Img.Name(), at/n, at%n)
			}
		}
	}
	return nil
}

// firstDifference returns the first byte of the drive at which two pieces differ,
// or -1.
func firstDifference(a, b Piece, common disk.Span, size int64) (int64, error) {
	step := disk.Sector(1 << 20 / size)
	for at := common.Start; at < common.End(); at += step {
		n := min(step, common.End()-at)
		x, err := image.ReadSectors(a.Img, disk.Span{Start: at - a.Start, Count: n})
		if err != nil {
			return 0, err
		}
		y, err := image.ReadSectors(b.Img, disk.Span{Start: at - b.Start, Count: n})
		if err != nil {
			return 0, err
		}
		for i := range x {
			if x[i] != y[i] {
				return int64(at)*size + int64(i), nil
			}
		}
	}
	return -1, nil
}

// Size returns the size of the whole drive in bytes.
func (p *Drive) Size() int64 { return int64(p.sectors) * int64(p.size) }

// SectorSize returns the sector size in bytes.
func (p *Drive) SectorSize() int { return p.size }

// ReadAt reads bytes that all lie in pieces.
func (p *Drive) ReadAt(b []byte, off int64) (int, error) {
	if off >= p.Size() {
		return 0, io.EOF
	}
	done := 0
	for done < len(b) {
		at := off + int64(done)
		n, err := p.readOne(b[done:], at)
		if done += n; err != nil || n == 0 {
			return done, err
		}
	}
	return done, nil
}

// readOne reads from the first piece that holds byte off.
func (p *Drive) readOne(b []byte, off int64) (int, error) {
	size := int64(p.size)
	if off >= p.Size() {
		return 0, io.EOF
	}
	for _, q := range p.list {
		if start, end := int64(q.Start)*size, int64(q.End())*size; off >= start && off < end {
			b = b[:min(int64(len(b)), end-off)]
			if err := image.ReadFull(q.Img, b, off-start); err != nil {
				return 0, err
			}
			return len(b), nil
		}
	}
	return 0, &image.UnknownError{Span: disk.Span{Start: disk.Sector(off / size), Count: 1}, State: image.Unread}
}
