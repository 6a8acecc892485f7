// Package card is the planned card: a plan and its source, read as the disk
// that they make, before any card exists. Writing copies it, verifying
// compares with it, and what lies on it can be walked and hashed.
package card

import (
	"fmt"
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// Card is the planned card as an image.Source. It is also image.Sparse and
// image.Partial.
//
// A read of sectors that the plan leaves as they are fails with an
// image.UnknownError of state image.Left, and a read of copied sectors that
// the source does not know fails with the state that the source gives. The
// spans of these errors are card sectors.
type Card struct {
	plan *plan.Plan
	src  image.Source
	size int64 // of a sector, in bytes

	knownOnly bool
}

// New returns the card as it will be. Sectors that the source did not have
// (layout.WhyMissing) are the zeros that will be written there. The plan must
// pass Check, and src must be of the size the plan was made for: if it is not
// the error is a StaleError. What lies in src is not compared; Stale does that.
func New(p *plan.Plan, src image.Source) (*Card, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	if err := checkSize(p, src); err != nil {
		return nil, err
	}
	return &Card{plan: p, src: src, size: int64(p.Target.SectorSize)}, nil
}

// Known returns the card as far as its bytes are known: zeros that stand for
// sectors which the source did not have fail with an image.UnknownError of
// state image.Missing, too. It is the view for whoever gives meaning to the
// bytes: a file with such a sector is not whole.
func (c *Card) Known() *Card {
	known := *c
	known.knownOnly = true
	return &known
}

// Size returns the size of the card in bytes.
func (c *Card) Size() int64 { return int64(c.plan.Target.Sectors) * c.size }

// SectorSize returns the sector size in bytes.
func (c *Card) SectorSize() int { return c.plan.Target.SectorSize }

// ReadAt reads from byte off of the card. If it fails, the bytes before the
// piece in which it failed were read.
func (c *Card) ReadAt(b []byte, off int64) (int, error) {
	switch {
	case off < 0:
		return 0, fmt.Errorf("negative offset %d", off)
	case len(b) == 0:
		return 0, nil
	case off >= c.Size():
		return 0, io.EOF
	}
	want := int(min(int64(len(b)), c.Size()-off))
	done := 0
	for i := c.plan.Index(disk.Sector(off / c.size)); done < want; i++ {
		q := &c.plan.Pieces[i]
		in := off + int64(done) - int64(q.Start)*c.size // byte in the piece
		n := int(min(int64(want-done), int64(q.Count)*c.size-in))
		if err := c.readPiece(q, b[done:done+n], in); err != nil {
			return done, err
		}
		done += n
	}
	if want < len(b) {
		return want, io.EOF
	}
	return want, nil
}

// readPiece fills b from byte in of one piece.
func (c *Card) readPiece(q *layout.Piece, b []byte, in int64) error {
	from := int64(q.From)*c.size + in
	switch {
	case c.unknown(q):
		hit := disk.Between(q.Start+disk.Sector(in/c.size), q.Start+disk.Sector((in+int64(len(b))+c.size-1)/c.size))
		return &image.UnknownError{Span: hit, State: stateOf(q)}
	case q.Op == layout.Zero:
		clear(b)
		return nil
	case q.Op == layout.Render:
		if err := image.ReadFull(c.plan.Rendered, b, from); err != nil {
			return fmt.Errorf("card sectors %s: %w", q.Span, err)
		}
		return nil
	default:
		if err := image.ReadFull(c.src, b, from); err != nil {
			return c.inCard(q, err)
		}
		return nil
	}
}

// unknown tells whether no byte of the piece is known in this view.
func (c *Card) unknown(q *layout.Piece) bool {
	return q.Op == layout.Leave || c.knownOnly && q.Op == layout.Zero && q.Why == layout.WhyMissing
}

func stateOf(q *layout.Piece) image.State {
	if q.Op == layout.Leave {
		return image.Left
	}
	return image.Missing
}
