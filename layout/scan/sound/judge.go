package sound

import (
	"cmp"
	"slices"

	"bootgraft/image"
)

// Sizes of what is looked at, in bytes. A block is what one decision is about, a piece
// what is measured of it.
const (
	blockBytes = 64 << 10
	pieceBytes = 1 << 10
	pieces     = 4 // of a block
)

// Bars of a decision about a block, in bits for each byte that was measured. By hand, from
// invented recordings and decoys: noise and packed data give less than 0.01, drums 0.4.
const (
	barLag  = 0.08 // what a length of a frame must promise before readings are tried
	barGood = 0.10 // what a reading must give to begin a run, or to go on
	barBad  = -0.1 // below it a run has ended
	barRest = 6    // bits a byte that may be left of a stretch with no gain inside a run: a quiet one
)

// lagsKept is for how many lengths of a frame readings are tried, readingsKept how many of
// these are tried on more than one piece.
const (
	lagsKept     = 5
	readingsKept = 8
)

// judge decides about blocks. It keeps only room that is used again.
type judge struct {
	work
	places []int
	found  []guess
	lags   []lagGuess
}

type lagGuess struct {
	lag  int
	bits float64
}

// guess is a reading and its bits, for the bytes that were measured.
type guess struct {
	reading
	bits float64
}

// verdict is what was measured of a block under one reading.
type verdict struct {
	reading
	null, bits float64 // code lengths
	bytes      int     // that were measured; 0 for a block that is blank
}

// gain is the evidence in bits for each byte.
func (v verdict) gain() float64 { return (v.null - v.bits) / float64(max(1, v.bytes)) }

// constant tells whether all bytes are the same.
func constant(b []byte) bool {
	for i := range b {
		if b[i] != b[0] {
			return false
		}
	}
	return true
}

// pick chooses the pieces of a block: spread over it, none of one byte alone.
func (j *judge) pick(b []byte) []int {
	j.places = j.places[:0]
	part := max(pieceBytes, len(b)/pieces/pieceBytes*pieceBytes)
	for from := 0; from+pieceBytes <= len(b); from += part {
		for k := 0; k < 8; k++ {
			at := from + k*part/8/512*512
			if at+pieceBytes > len(b) || k > 0 && at >= from+part {
				break
			}
			if !constant(b[at:][:pieceBytes]) {
				j.places = append(j.places, at)
				break
			}
		}
	}
	return j.places
}

// fit measures a block under one reading.
func (j *judge) fit(r reading, b []byte, at int64) verdict {
	v := verdict{reading: r}
	for _, p := range j.pick(b) {
		piece := b[p:][:pieceBytes]
		v.null += nullBits(piece)
		v.bits += r.cost(&j.work, piece, at+int64(p))
		v.bytes += len(piece)
	}
	return v
}

// best finds the reading that says most with least, if the block is worth it: one piece is
// measured first, by lengths of a frame alone.
func (j *judge) best(b []byte, at int64) (v verdict, ok bool) {
	places := slices.Clone(j.pick(b))
	for _, p := range places[:min(2, len(places))] {
		piece := b[p:][:pieceBytes]
		null := nullBits(piece)
		if j.promising(piece, null) && j.readings(piece, at+int64(p), null, reading.possible) {
			return j.among(b, at, places), true
		}
	}
	return v, false
}

// promising keeps the lengths of a frame that say most.
func (j *judge) promising(b []byte, null float64) bool {
	j.lags = j.lags[:0]
	for _, lag := range lagsTried {
		if bits := lagBits(b, lag); null-bits > barLag*float64(len(b)) {
			j.lags = append(j.lags, lagGuess{lag, bits})
		}
	}
	slices.SortFunc(j.lags, func(a, b lagGuess) int { return cmp.Compare(a.bits, b.bits) })
	j.lags = j.lags[:min(len(j.lags), lagsKept)]
	return len(j.lags) > 0
}

// readings tries all allowed readings whose frames divide a promising length, and keeps the best.
func (j *judge) readings(b []byte, at int64, null float64, allowed func(reading) bool) bool {
	j.found = j.found[:0]
	j.candidates(allowed, func(r reading) {
		if bits := r.fullCost(&j.work, b, at) + r.prior(); null-bits > barGood/2*float64(len(b)) {
			j.found = append(j.found, guess{r, bits})
		}
	})
	j.keep(readingsKept)
	return len(j.found) > 0
}

// candidates visits the allowed readings whose frames divide one of the lengths that were kept.
func (j *judge) candidates(allowed func(reading) bool, visit func(reading)) {
	var divides [5][maxLanes + 1]bool
	for _, l := range j.lags {
		for width := 1; width <= 4; width++ {
			for c := 1; c <= maxLanes; c++ {
				if l.lag%(width*c) == 0 {
					divides[width][c] = true
				}
			}
		}
	}
	for _, r := range tried {
		for c := 1; c <= maxLanes; c++ {
			if r.Channels = c; divides[r.Width][c] && allowed(r) {
				visit(r)
			}
		}
	}
}

func (j *judge) keep(n int) {
	slices.SortStableFunc(j.found, func(a, b guess) int { return cmp.Compare(a.bits, b.bits) })
	j.found = j.found[:min(n, len(j.found))]
}

// among measures the readings that were kept on every piece, and returns the best.
func (j *judge) among(b []byte, at int64, places []int) (v verdict) {
	for _, p := range places {
		v.null += nullBits(b[p:][:pieceBytes])
		v.bytes += pieceBytes
	}
	for i, g := range j.found {
		bits := g.prior()
		for _, p := range places {
			bits += g.fullCost(&j.work, b[p:][:pieceBytes], at+int64(p))
		}
		j.found[i].bits = bits
	}
	j.keep(readingsKept)
	v.reading, v.bits = j.found[0].reading, j.found[0].bits
	return v
}

// isBlank tells whether a block holds one byte of blank alone.
func isBlank(b []byte) bool {
	_, blank := image.Blank(b)
	return blank || len(b) == 0
}
