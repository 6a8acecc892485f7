package plan

import (
	"bytes"
	"fmt"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Builder makes a Plan from pieces given in card order. Neighbours that
// continue each other become one piece; empty spans are passed over. The first
// mistake is kept and returned by Plan.
type Builder struct {
	plan Plan
	pool []byte
	err  error
}

// NewBuilder returns a Builder for a card of the given size.
func NewBuilder(target Size, source Source) *Builder {
	return &Builder{plan: Plan{Target: target, Source: source}}
}

// Grow makes room for so many pieces and rendered sectors at once.
func (b *Builder) Grow(pieces int, rendered disk.Sector) {
	b.plan.Pieces = slices.Grow(b.plan.Pieces, pieces)
	b.pool = slices.Grow(b.pool, int(rendered)*b.plan.Target.SectorSize)
}

// At returns the card sector at which the next piece has to start.
func (b *Builder) At() disk.Sector {
	if n := len(b.plan.Pieces); n > 0 {
		return b.plan.Pieces[n-1].End()
	}
	return 0
}

// Copy fills the card sectors s with the source sectors from from on.
func (b *Builder) Copy(s disk.Span, from disk.Sector, why layout.Reason, rank layout.Rank) {
	b.add(layout.Piece{Span: s, Op: layout.Copy, From: from, Why: why, Rank: rank})
}

// Zero fills the card sectors s with zeros.
func (b *Builder) Zero(s disk.Span, why layout.Reason, rank layout.Rank) {
	b.add(layout.Piece{Span: s, Op: layout.Zero, Why: why, Rank: rank})
}

// Leave does not touch the card sectors s.
func (b *Builder) Leave(s disk.Span, why layout.Reason, rank layout.Rank) {
	b.add(layout.Piece{Span: s, Op: layout.Leave, Why: why, Rank: rank})
}

// Render fills card sectors from at on with the given bytes, whole sectors of
// them, which are copied.
func (b *Builder) Render(at disk.Sector, data []byte, why layout.Reason, rank layout.Rank) {
	size := b.plan.Target.SectorSize
	if size <= 0 || len(data)%size != 0 {
		b.failf("%d bytes rendered at sector %d are not whole sectors of %d", len(data), at, size)
		return
	}
	n := disk.Sector(len(data) / size)
	from := disk.Sector(len(b.pool) / size)
	b.pool = append(b.pool, data...)
	b.add(layout.Piece{Span: disk.Span{Start: at, Count: n}, Op: layout.Render, From: from, Why: why, Rank: rank})
}

// Again fills card sectors from at on with the rendered bytes that the card
// sectors first already have: a second copy costs no room in the plan.
func (b *Builder) Again(at disk.Sector, first disk.Span, why layout.Reason, rank layout.Rank) {
	for x := first.Start; x < first.End(); {
		q := b.plan.Lookup(x)
		if q == nil || q.Op != layout.Render {
			b.failf("sector %d, wanted again at sector %d, is not rendered", x, at+x-first.Start)
			return
		}
		part := disk.Between(x, min(q.End(), first.End()))
		from := q.From + x - q.Start // q does not outlive add
		b.add(layout.Piece{
			Span: disk.Span{Start: at + x - first.Start, Count: part.Count},
			Op:   layout.Render, From: from, Why: why, Rank: rank,
		})
		x = part.End()
	}
}

// Drop notes source sectors that the card does not carry.
func (b *Builder) Drop(d ...Dropped) { b.plan.Dropped = append(b.plan.Dropped, d...) }

// Find notes findings.
func (b *Builder) Find(f ...disk.Finding) { b.plan.Findings = append(b.plan.Findings, f...) }

// Plan returns the finished plan, which passes Check, or the first mistake.
// The Builder must not be used afterwards.
func (b *Builder) Plan() (*Plan, error) {
	if b.err != nil {
		return nil, b.err
	}
	if len(b.pool) > 0 {
		b.plan.Rendered = bytes.NewReader(b.pool)
	}
	if err := b.plan.Check(); err != nil {
		return nil, err
	}
	return &b.plan, nil
}

func (b *Builder) failf(format string, args ...any) {
	if b.err == nil {
		b.err = fmt.Errorf(format, args...)
	}
}

func (b *Builder) add(p layout.Piece) {
	if p.Count == 0 {
		return
	}
	if at := b.At(); p.Start != at || p.Count < 0 {
		b.failf("the piece %s (%s, %s) does not continue the card at sector %d", p.Span, p.Op, p.Why, at)
		return
	}
	if n := len(b.plan.Pieces); n > 0 && continues(&b.plan.Pieces[n-1], &p) {
		b.plan.Pieces[n-1].Count += p.Count
		return
	}
	b.plan.Pieces = append(b.plan.Pieces, p)
}

// continues tells whether q, which starts where p ends, is more of the same.
func continues(p, q *layout.Piece) bool {
	if p.Op != q.Op || p.Why != q.Why || p.Rank != q.Rank {
		return false
	}
	return !hasFrom(p.Op) || q.From == p.From+p.Count
}
