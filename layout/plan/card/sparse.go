package card

import (
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// NextData implements image.Sparse: zeros of the plan and holes of the source
// are holes. Sectors that are not known count as stored, so that nobody takes
// them for zeros. A run ends with its piece, even if the next one is stored.
func (c *Card) NextData(off int64) (start, end int64) {
	off = max(0, off)
	if off >= c.Size() {
		return c.Size(), c.Size()
	}
	pieces := c.plan.Pieces
	for i := c.plan.Index(disk.Sector(off / c.size)); i < len(pieces); i++ {
		q := &pieces[i]
		begin := int64(q.Start) * c.size
		stop := int64(q.End()) * c.size
		at := max(off, begin)
		switch {
		case q.Op == layout.Copy:
			shift := begin - int64(q.From)*c.size
			start, end = image.NextData(c.src, at-shift)
			start = max(start+shift, at)
			if start < stop {
				return start, min(end+shift, stop)
			}
		case q.Op == layout.Render || c.unknown(q):
			return at, stop
		}
	}
	return c.Size(), c.Size()
}

// Unknown implements image.Partial: what the plan leaves, what the source does
// not know of the copied sectors, and in the view of Known the zeros that
// stand for missing sectors.
func (c *Card) Unknown(w disk.Span) disk.Spans {
	w = w.Common(image.Whole(c))
	var out disk.Spans
	for i := c.plan.Index(w.Start); i < len(c.plan.Pieces) && c.plan.Pieces[i].Start < w.End(); i++ {
		q := &c.plan.Pieces[i]
		asked := q.Common(w)
		switch {
		case c.unknown(q):
			out = out.Add(asked)
		case q.Op == layout.Copy:
			shift := q.Start - q.From
			for _, s := range image.Unknown(c.src, disk.Span{Start: asked.Start - shift, Count: asked.Count}) {
				out = out.Add(disk.Span{Start: s.Start + shift, Count: s.Count})
			}
		}
	}
	return out
}

// inCard turns a read error of the source below a Copy piece into one that
// names card sectors.
func (c *Card) inCard(q *layout.Piece, err error) error {
	var unknown *image.UnknownError
	if errors.As(err, &unknown) {
		shift := q.Start - q.From
		hit := disk.Span{Start: unknown.Start + shift, Count: unknown.Count}.Common(q.Span)
		return &image.UnknownError{Span: hit, State: unknown.State}
	}
	return fmt.Errorf("card sectors %s, copied from source sector %d on: %w", q.Span, q.From, err)
}
