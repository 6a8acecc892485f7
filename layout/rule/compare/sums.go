package compare

import (
	"bytes"
	"fmt"
	"slices"
	"sync"

	"bootgraft/image"
	"bootgraft/layout/rule/candidate"
)

// sumSearch looks for the algorithm and the span of one target.
type sumSearch struct {
	*worker
	*target
	algorithms []*candidate.Sum
	bases      []*candidate.Sum // of the algorithms, in the same order
	hit        *sumHit
}

// sum looks for an algorithm and a span that give the target on every disk.
func (w *worker) sum(t *target) *sumHit {
	x := &sumSearch{worker: w, target: t, hit: &sumHit{t: t, bits: -1}}
	for _, a := range candidate.Sums {
		if a.Width != t.width {
			continue
		}
		x.algorithms = append(x.algorithms, a)
		if a.Base == a {
			x.bases = append(x.bases, a)
		}
	}
	for _, set := range w.spanSets(t) {
		if set.plain && set.order == image.Plain || x.hit.bits < 0 {
			x.try(set)
		}
	}
	if len(x.hit.ways) == 0 {
		return nil
	}
	return x.hit
}

// How many spans each target is taken to have, by kind; the choice of one
// takes away from what it predicts.
const (
	plainSpans = 64
	oddSpans   = 512 * 128
	orders     = 3
)

// try adds what fits of a set of spans.
func (x *sumSearch) try(set spanSet) {
	spans := float64(plainSpans)
	if !set.plain {
		spans = oddSpans
	}
	if set.order != image.Plain {
		spans *= orders
	}
	choice := cost(float64(len(x.algorithms)*len(x.want)) * spans)
	most := x.predicted(len(x.dumps))
	if most <= choice || !set.plain && most-choice < bar {
		return
	}
	rows := x.rowsOf
	if inside := set.start.SectorStart() == x.s.at || x.worker.holdsTarget(x.target, set); inside {
		rows = x.own
	}
	for _, found := range x.look(set, rows) {
		bits := x.predicted(found.contents) - choice
		if bits > x.hit.bits || bits == x.hit.bits && x.beside(found.way) && !x.beside(x.hit.ways[0]) {
			x.hit.bits = bits
			x.hit.ways = slices.Insert(x.hit.ways, 0, found.way)
		} else {
			x.hit.ways = append(x.hit.ways, found.way)
		}
		x.hit.ways = x.hit.ways[:min(len(x.hit.ways), maxSumWays)]
	}
}

// predicted returns the bits that are right if a checksum over so many different
// contents is; where it is the same on all disks, they were predicted once.
func (t *target) predicted(contents int) float64 {
	if t.cover == 0 {
		return float64(8 * t.same)
	}
	return float64(8 * t.cover * contents)
}

// beside tells whether a span ends where the target begins, or begins where it
// ends.
func (t *target) beside(w SumWay) bool {
	size := int(w.Count)
	return w.Start.SectorStart() == t.s.at && (w.Start.Byte+size == t.at || w.Start.Byte == t.at+t.width)
}

// foundSum is a span and algorithm that fit, and over how many different
// contents.
type foundSum struct {
	way      SumWay
	contents int
}

// look compares the sums of a set of spans with the target: rows makes those of some
// bases on one disk.
func (x *sumSearch) look(
	set spanSet, rows func(dump int, set spanSet, bases []*candidate.Sum) [][]uint64,
) (out []foundSum) {
	first := rows(0, set, x.bases)
	if first == nil {
		return nil
	}
	base := -1
	var others [][]uint64 // of the base on the other disks: made where they are asked for
	for _, a := range x.algorithms {
		if a.Base == a {
			base++
			others = make([][]uint64, len(x.dumps))
		}
		if sameTurned(a, set.order) {
			continue
		}
		out = x.compare(out, a, set, first[base], func(dump int) []uint64 {
			if others[dump] == nil {
				if made := rows(dump, set, x.bases[base:base+1]); made != nil {
					others[dump] = made[0]
				}
			}
			return others[dump]
		})
	}
	return out
}

// own makes the sums of spans that may hold the target.
func (x *sumSearch) own(dump int, set spanSet, bases []*candidate.Sum) [][]uint64 {
	data, err := x.span(dump, set.start, set.ends[len(set.ends)-1])
	if err != nil {
		x.fail(err)
		return nil
	}
	return rowsIn(data, set, bases)
}

// sameTurned tells whether an algorithm gives nothing in a byte order that it
// or its like of the other byte order does not give in the plain one.
func sameTurned(a *candidate.Sum, order image.Order) bool {
	return order != image.Plain && a.Words > 0 && a.Words <= int(order)
}

// compare adds the ways by which the values of a row, one for each end of the set,
// are those of the target on the first disk, and the other disks agree. What lies
// behind a header is often the same for a megabyte, so one accidental value comes again
// at a thousand ends: the rows of the other disks, made once, tell most of them.
func (x *sumSearch) compare(
	out []foundSum, a *candidate.Sum, set spanSet, row []uint64, other func(dump int) []uint64,
) []foundSum {
	for i, v := range row {
		v = a.From(v)
		for _, r := range x.want {
			if len(out) >= maxSumWays {
				return out
			}
			if r.values[0] != v || !x.agrees(a, r.values, i, other) {
				continue
			}
			way := SumWay{Sum: a.Name, Encoding: r.encoding, Byte: x.at, Start: set.start, Count: int64(set.ends[i]),
				Order: set.order}
			if contents, ok := x.holds(a, way, r.values); ok {
				out = append(out, foundSum{way, contents})
			}
		}
	}
	return out
}

// agrees tells whether no other disk has another value at an end of the set. A disk
// of which not the whole row is known, but perhaps this end, is left to holds.
func (x *sumSearch) agrees(a *candidate.Sum, want []uint64, end int, other func(dump int) []uint64) bool {
	for d := 1; d < len(x.dumps); d++ {
		if row := other(d); len(row) > 0 && a.From(row[end]) != want[d] {
			return false
		}
	}
	return true
}

// holds tells whether the way is right on every disk, and of how many different
// contents that says anything.
func (x *sumSearch) holds(a *candidate.Sum, way SumWay, want []uint64) (contents int, ok bool) {
	seen := map[string]bool{}
	for d := range x.dumps {
		data, err := x.span(d, way.Start, int(way.Count))
		if err != nil {
			x.fail(err)
			return 0, false
		}
		if telling(x.s.data[d][x.at:x.at+x.width], data) {
			seen[string(data)] = true
		}
		way.Order.Turn(data)
		if a.Of(data) != want[d] {
			return 0, false
		}
	}
	return len(seen), true
}

// telling tells whether it says anything that bytes are the checksum of a span: that of
// fillings is a filling again, be it of many bytes.
func telling(sum, span []byte) bool {
	changes := 0
	for i := 1; i < len(span) && changes < len(sum); i++ {
		if span[i] != span[i-1] {
			changes++
		}
	}
	_, blank := image.Blank(sum)
	return changes == len(sum) && !blank && (len(sum) == 1 || bytes.Count(sum, sum[:1]) < len(sum))
}

// span returns bytes of one disk with those of the target as zeros.
func (x *sumSearch) span(dump int, start candidate.Place, n int) ([]byte, error) {
	size := x.c.SectorSize
	if start.SectorStart() == x.s.at && start.Byte+n <= size {
		b := bytes.Clone(x.s.data[dump][start.Byte : start.Byte+n])
		blankOut(b, x.at-start.Byte, x.width)
		return b, nil
	}
	b, err := x.read(dump, start, n)
	if err != nil {
		return nil, err
	}
	apart := int(x.s.at.At(0) - start.At(0))
	blankOut(b, apart*size+x.at-start.Byte, x.width)
	return b, nil
}

// read returns n bytes of one disk.
func (w *worker) read(dump int, start candidate.Place, n int) ([]byte, error) {
	src := w.dumps[dump].Source
	b := make([]byte, n)
	at := start.At(w.end.Of(image.Sectors(src)))
	if err := image.ReadFull(src, b, int64(at)*int64(w.c.SectorSize)+int64(start.Byte)); err != nil {
		return nil, fmt.Errorf("reading %s: %w", start, err)
	}
	return b, nil
}

// blankOut zeroes width bytes at at, as far as they lie in b.
func blankOut(b []byte, at, width int) {
	for i := max(0, at); i < min(len(b), at+width); i++ {
		b[i] = 0
	}
}

// rowCache keeps, of spans of whole sectors, sums at every length: all targets of a
// sector look at the same.
type rowCache struct {
	sync.Mutex
	rows map[rowsKey][][]uint64 // by base, then by length
}

type rowsKey struct {
	dump        int
	start       candidate.Place
	first, last int
	order       image.Order
	base        string // the first of them
	count       int
}

// rowsOf returns the sums of a set of spans on one disk; none if a sector is not known.
func (w *worker) rowsOf(dump int, set spanSet, bases []*candidate.Sum) [][]uint64 {
	last := set.ends[len(set.ends)-1]
	key := rowsKey{dump, set.start, set.ends[0], last, set.order, bases[0].Name, len(bases)}
	w.rows.Lock()
	rows, ok := w.rows.rows[key]
	w.rows.Unlock()
	if ok {
		return rows
	}
	if data, err := w.read(dump, set.start, last); err != nil {
		w.fail(err)
	} else {
		rows = rowsIn(data, set, bases)
	}
	w.rows.Lock()
	defer w.rows.Unlock()
	if len(w.rows.rows) >= maxRowSets || w.rows.rows == nil {
		w.rows.rows = map[rowsKey][][]uint64{}
	}
	w.rows.rows[key] = rows
	return rows
}

// rowsIn runs bases over data, up to each end of the set; nothing of those that would
// give nothing new in its byte order.
func rowsIn(data []byte, set spanSet, bases []*candidate.Sum) [][]uint64 {
	set.order.Turn(data)
	rows, room := make([][]uint64, len(bases)), make([]uint64, len(bases)*len(set.ends))
	for i, s := range bases {
		if sameTurned(s, set.order) {
			continue
		}
		run, at := s.Start(), 0
		rows[i], room = room[:len(set.ends)], room[len(set.ends):]
		for k, n := range set.ends {
			run.Add(data[at:n])
			at = n
			rows[i][k] = run.Value()
		}
	}
	return rows
}

// maxRowSets bounds the cache: beyond it everything is forgotten.
const maxRowSets = 1 << 14
