package resize

import (
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
)

// Copied returns the sectors of the original that Emit copies, counted from the
// start of the volume. The volume is made once for both: Emit, if it comes next,
// hands on what was made here.
func (r *Result) Copied() (disk.Spans, error) {
	if r.copied != nil {
		return r.copied, nil
	}
	t := &tape{size: int(r.job.size)}
	if err := r.emit(t); err != nil {
		return nil, err
	}
	r.tape = t
	copied := make([]disk.Span, 0, t.len())
	for p := range t.all {
		if p.Op == layout.Copy {
			copied = append(copied, disk.Span{Start: p.From, Count: p.Count})
		}
	}
	r.copied = disk.SpansFrom(copied)
	return r.copied, nil
}

// Made returns how many pieces Emit will hand on, and how many sectors they make
// new, if Copied was called before: what makes a plan of them can make room.
func (r *Result) Made() (pieces int, rendered disk.Sector) {
	if r.tape == nil {
		return 0, 0
	}
	for _, b := range r.tape.data {
		rendered += disk.Sector(len(b) / r.tape.size)
	}
	return r.tape.len(), rendered
}

// tape is a Sink that keeps what it gets. From of a piece that is rendered is
// the card sector that holds the same bytes, or -1: then they are the next of
// data.
type tape struct {
	size   int
	blocks [][]layout.Piece // each but the last is full: a list that grows by copying would take three times the room
	data   [][]byte
}

// tapeBlock is how many pieces a block holds: 128 KiB of them, by hand, no source.
const tapeBlock = 4096

// len returns how many pieces there are.
func (t *tape) len() int {
	n := len(t.blocks)
	if n == 0 {
		return 0
	}
	return (n-1)*tapeBlock + len(t.blocks[n-1])
}

// all yields the pieces in their order.
func (t *tape) all(yield func(*layout.Piece) bool) {
	for _, b := range t.blocks {
		for i := range b {
			if !yield(&b[i]) {
				return
			}
		}
	}
}

// play hands all of it on, and lets go of the bytes and pieces as it goes.
func (t *tape) play(to volume.Sink) {
	for ; len(t.blocks) > 0; t.blocks = t.blocks[1:] {
		for i := range t.blocks[0] {
			t.hand(to, &t.blocks[0][i])
		}
		t.blocks[0] = nil
	}
}

func (t *tape) hand(to volume.Sink, p *layout.Piece) {
	switch {
	case p.Op == layout.Copy:
		to.Copy(p.Span, p.From, p.Why, p.Rank)
	case p.Op == layout.Zero:
		to.Zero(p.Span, p.Why, p.Rank)
	case p.Op == layout.Leave:
		to.Leave(p.Span, p.Why, p.Rank)
	case p.From >= 0:
		to.Again(p.Start, disk.Span{Start: p.From, Count: p.Count}, p.Why, p.Rank)
	default:
		to.Render(p.Start, t.data[0], p.Why, p.Rank)
		t.data[0], t.data = nil, t.data[1:]
	}
}

func (t *tape) add(p layout.Piece) {
	if p.Empty() {
		return
	}
	n := len(t.blocks)
	if n > 0 && p.Op != layout.Render {
		last := &t.blocks[n-1][len(t.blocks[n-1])-1]
		if last.End() == p.Start && last.Op == p.Op && last.Why == p.Why && last.Rank == p.Rank &&
			(p.Op != layout.Copy || last.From+last.Count == p.From) {
			last.Count += p.Count
			return
		}
	}
	if n == 0 || len(t.blocks[n-1]) == tapeBlock {
		t.blocks = append(t.blocks, make([]layout.Piece, 0, tapeBlock))
		n++
	}
	t.blocks[n-1] = append(t.blocks[n-1], p)
}

// Copy implements Sink.
func (t *tape) Copy(s disk.Span, from disk.Sector, why layout.Reason, rank layout.Rank) {
	t.add(layout.Piece{Span: s, Op: layout.Copy, From: from, Why: why, Rank: rank})
}

// Zero implements Sink.
func (t *tape) Zero(s disk.Span, why layout.Reason, rank layout.Rank) {
	t.add(layout.Piece{Span: s, Op: layout.Zero, Why: why, Rank: rank})
}

// Leave implements Sink.
func (t *tape) Leave(s disk.Span, why layout.Reason, rank layout.Rank) {
	t.add(layout.Piece{Span: s, Op: layout.Leave, Why: why, Rank: rank})
}

// Render implements Sink.
func (t *tape) Render(at disk.Sector, data []byte, why layout.Reason, rank layout.Rank) {
	if len(data) == 0 {
		return
	}
	t.data = append(t.data, append([]byte(nil), data...)) // the caller uses its bytes again
	t.add(layout.Piece{Span: disk.Span{Start: at, Count: disk.Sector(len(data) / t.size)}, Op: layout.Render, From: -1,
		Why: why, Rank: rank})
}

// Again implements Sink.
func (t *tape) Again(at disk.Sector, first disk.Span, why layout.Reason, rank layout.Rank) {
	t.add(layout.Piece{Span: disk.Span{Start: at, Count: first.Count}, Op: layout.Render, From: first.Start, Why: why,
		Rank: rank})
}
