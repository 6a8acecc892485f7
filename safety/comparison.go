package safety

import (
	"bytes"
	"encoding/hex"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// shownBytes is how many bytes of a difference are kept: one line of a hex dump.
const shownBytes = 16

// Difference is one sector of a target that is not as planned.
type Difference struct {
	Sector disk.Sector
	Piece  int // index of the piece that owns the sector
	Op     layout.Op
	Why    layout.Reason
	Offset int    // first unequal byte, counted in the sector
	Want   string // up to 16 bytes from there, in hex
	Have   string // what the target holds instead
	Note   string // what it looks like, if that can be told
}

// Comparison is the outcome of Verify. Counts are in sectors of the card, and
// include differences beyond the limit of those listed.
type Comparison struct {
	Compared    disk.Sector // every sector but those not touched
	Left        disk.Sector // not touched by the plan, not compared
	Missing     disk.Sector // zeros because the source does not know them; compared as such
	Unequal     disk.Sector
	Runs        disk.Spans                // of unequal sectors; the last of maxRuns goes on to the last of them
	ByOp        map[layout.Op]disk.Sector // unequal sectors by provenance
	ByWhy       map[layout.Reason]disk.Sector
	Differences []Difference // ascending, the first ones only
	Notes       []string     // what the differences together look like
	SHA256      string       // of the target: all sectors compared, in card order; empty unless asked for
}

// maxRuns bounds the memory that runs of differences take: by hand, no source.
const maxRuns = 1 << 16

// tally turns unequal blocks into a Comparison.
type tally struct {
	*Comparison
	pieces []layout.Piece
	piece  int // owner of the last sector looked up: blocks come in ascending order
	size   int // bytes a sector
	limit  int
	source image.Source // the original, or nil

	first      disk.Sector // first unequal sector
	onlyZeros  bool        // the target holds nothing else from there on
	asOriginal disk.Sector // listed differences that hold what the original has there
}

func newTally(pieces []layout.Piece, sectorSize int, opt VerifyOptions) *tally {
	c := &Comparison{ByOp: map[layout.Op]disk.Sector{}, ByWhy: map[layout.Reason]disk.Sector{}}
	for _, p := range pieces {
		if p.Op == layout.Leave {
			c.Left += p.Count
		} else {
			c.Compared += p.Count
		}
		if p.Why == layout.WhyMissing {
			c.Missing += p.Count
		}
	}
	return &tally{Comparison: c, pieces: pieces, size: sectorSize, limit: opt.Limit, source: opt.Source, onlyZeros: true}
}

// block compares want and have, which lie at byte off of the card.
func (t *tally) block(off int64, want, have []byte) {
	if bytes.Equal(want, have) {
		if t.Unequal > 0 && t.onlyZeros {
			t.onlyZeros = isFilled(have, 0)
		}
		return
	}
	for i := 0; i < len(want); i += t.size {
		w, h := want[i:i+t.size], have[i:i+t.size]
		if !bytes.Equal(w, h) {
			t.sector(disk.Sector((off+int64(i))/int64(t.size)), w, h)
		}
		if t.Unequal > 0 && t.onlyZeros {
			t.onlyZeros = isFilled(h, 0)
		}
	}
}

func (t *tally) sector(at disk.Sector, want, have []byte) {
	for t.pieces[t.piece].End() <= at {
		t.piece++
	}
	p := t.pieces[t.piece]
	if t.Unequal == 0 {
		t.first = at
	}
	t.Unequal++
	if n := len(t.Runs); n > 0 && (t.Runs[n-1].End() == at || n == maxRuns) {
		t.Runs[n-1].Count = at + 1 - t.Runs[n-1].Start
	} else {
		t.Runs = append(t.Runs, disk.Span{Start: at, Count: 1})
	}
	t.ByOp[p.Op]++
	t.ByWhy[p.Why]++
	if len(t.Differences) >= t.limit {
		return
	}
	i := 0
	for want[i] == have[i] {
		i++
	}
	end := min(i+shownBytes, len(want))
	d := Difference{Sector: at, Piece: t.piece, Op: p.Op, Why: p.Why, Offset: i,
		Want: hex.EncodeToString(want[i:end]), Have: hex.EncodeToString(have[i:end])}
	d.Note = t.explain(at, want, have)
	t.Differences = append(t.Differences, d)
}

// explain says what a sector looks like that is not what it should be.
func (t *tally) explain(at disk.Sector, want, have []byte) string {
	switch {
	case isFilled(have, 0):
		return "the target holds zeros here"
	case isFilled(have, 0xFF):
		return "the target holds FF bytes here"
	case t.holdsOriginal(at, have):
		t.asOriginal++
		return fmt.Sprintf("the target holds what sector %s of the original holds, as if the plan had not been used",
			disk.Grouped(at))
	}
	turned := bytes.Clone(have)
	for _, o := range []image.Order{image.Swap16, image.Swap32} {
		copy(turned, have)
		o.Turn(turned)
		if bytes.Equal(turned, want) {
			return fmt.Sprintf("the right bytes, but %s", o)
		}
	}
	return ""
}

// holdsOriginal is a hint only: an original that cannot be read gives none.
func (t *tally) holdsOriginal(at disk.Sector, have []byte) bool {
	if t.source == nil || t.source.SectorSize() != t.size || at >= image.Sectors(t.source) {
		return false
	}
	orig, err := image.ReadSectors(t.source, disk.Span{Start: at, Count: 1})
	return err == nil && bytes.Equal(orig, have)
}

// finish adds what only all differences together show.
func (t *tally) finish() *Comparison {
	if t.Unequal > 1 && t.onlyZeros {
		t.Notes = append(t.Notes, fmt.Sprintf("from sector %s on the target holds only zeros, as if writing it had "+
			"stopped there", disk.Grouped(t.first)))
	}
	if n := t.asOriginal; n > 1 && int(n) == len(t.Differences) {
		t.Notes = append(t.Notes, "the target is like the original itself: it was copied without the plan")
	}
	return t.Comparison
}

// isFilled tells whether every byte of b is v. The first byte decides most
// cases, and a slice compared with itself, shifted by one, the rest.
func isFilled(b []byte, v byte) bool {
	return len(b) == 0 || b[0] == v && bytes.Equal(b[1:], b[:len(b)-1])
}
