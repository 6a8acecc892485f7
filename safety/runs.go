package safety

import (
	"iter"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// fill says what is known of a run before it is read.
type fill uint8

const (
	stored fill = iota // must be read
	zeros              // reads as zeros
	left               // not touched on the card, and never read
)

// run is the bytes [off, end) of a card. Runs begin and end on sectors,
// except at the odd end of a source.
type run struct {
	off, end int64
	fill     fill
}

// cardRuns yields the runs of a planned card in ascending order, without a
// gap. Neighbouring pieces are joined, so that a fragmented plan is still read
// in large steps.
func cardRuns(card image.Source, pieces []layout.Piece) iter.Seq[run] {
	n := int64(card.SectorSize())
	return func(yield func(run) bool) {
		for i := 0; i < len(pieces); {
			r := run{int64(pieces[i].Start) * n, 0, fillOf(pieces[i].Op)}
			j := i + 1
			for j < len(pieces) && fillOf(pieces[j].Op) == r.fill {
				j++
			}
			r.end = int64(pieces[j-1].End()) * n
			i = j
			if r.fill != stored {
				if !yield(r) {
					return
				}
				continue
			}
			for part := range dataRuns(card, r.off, r.end) {
				if !yield(part) {
					return
				}
			}
		}
	}
}

func fillOf(op layout.Op) fill {
	switch op {
	case layout.Zero:
		return zeros
	case layout.Leave:
		return left
	}
	return stored
}

// dataRuns yields [off, end) of src as stored and zero runs in turn. It never
// yields an empty run, and it always comes to an end, whatever NextData says.
func dataRuns(src image.Source, off, end int64) iter.Seq[run] {
	n := int64(src.SectorSize())
	return func(yield func(run) bool) {
		for off < end {
			from, to := image.NextData(src, off)
			from = min(max(off, from/n*n), end)
			if from > off && !yield(run{off, from, zeros}) {
				return
			}
			if from == end {
				return
			}
			if to <= from { // says nothing: then all of the rest may hold something
				to = end
			}
			to = min((to+n-1)/n*n, end)
			if !yield(run{from, to, stored}) {
				return
			}
			off = to
		}
	}
}

// clip yields the parts of runs that lie in a set of sectors of n bytes.
func clip(runs iter.Seq[run], to disk.Spans, n int64) iter.Seq[run] {
	return func(yield func(run) bool) {
		for r := range runs {
			for _, s := range to.Within(disk.Between(disk.Sector(r.off/n), disk.Sector(r.end/n))) {
				if !yield(run{int64(s.Start) * n, int64(s.End()) * n, r.fill}) {
					return
				}
			}
		}
	}
}
