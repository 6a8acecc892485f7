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
	hit        *sumHit
}

// sum looks for an algorithm and a span that give the target on every disk.
func (w *worker) sum(t *target) *sumHit {
	x := &sumSearch{worker: w, target: t, hit: &sumHit{t: t, bits: -1}}
	for _, a := range candidate.Sums {
		if a.Width == t.width {
			x.algorithms = append(x.algorithms, a)
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
// takes away from what it foretells.
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
	most := float64(8 * x.cover * len(x.dumps))
	if most <= choice || !set.plain && most-choice < Bar {
		return
	}
	look := x.apart
	if inside := set.start.SectorStart() == x.s.at || x.worker.holdsTarget(x.target, set); inside {
		look = x.own
	}
	for _, found := range look(set) {
		bits := float64(8*x.cover*found.contents) - choice
		if bits > x.hit.bits || bits == x.hit.bits && x.beside(found.way) && !x.beside(x.hit.ways[0]) {
			x.hit.bits = bits
			x.hit.ways = slices.Insert(x.hit.ways, 0, found.way)
		} else {
			x.hit.ways = append(x.hit.ways, found.way)
		}
		x.hit.ways = x.hit.ways[:min(len(x.hit.ways), maxSumWays)]
	}
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

// own runs every algorithm over spans that may hold the target.
func (x *sumSearch) own(set spanSet) (out []foundSum) {
	data, err := x.span(0, set.start, set.ends[len(set.ends)-1])
	if err != nil {
		x.fail(err)
		return nil
	}
	set.order.Turn(data)
	for _, a := range x.algorithms {
		if sameTurned(a, set.order) {
			continue
		}
		run, at := a.Start(), 0
		for _, n := range set.ends {
			run.Add(data[at:n])
			at = n
			out = x.compare(out, a, set, n, run.Value())
		}
	}
	return out
}

// apart looks the sums up that do not depend on the target.
func (x *sumSearch) apart(set spanSet) (out []foundSum) {
	rows := x.rowsOf(set, x.width, x.algorithms)
	for i, row := range rows {
		for j, v := range row {
			out = x.compare(out, x.algorithms[i], set, set.ends[j], v)
		}
	}
	return out
}

// sameTurned tells whether an algorithm gives nothing in a byte order that it
// or its like of the other byte order does not give in the plain one.
func sameTurned(a *candidate.Sum, order image.Order) bool {
	return order != image.Plain && a.Words > 0 && a.Words <= int(order)
}

// compare adds a way if the value is that of the target on the first disk,
// and the other disks agree.
func (x *sumSearch) compare(out []foundSum, a *candidate.Sum, set spanSet, n int, v uint64) []foundSum {
	if len(out) >= maxSumWays {
		return out
	}
	for _, r := range x.want {
		if r.values[0] != v {
			continue
		}
		way := SumWay{Sum: a.Name, Encoding: r.encoding, Byte: x.at, Start: set.start, Count: int64(n), Order: set.order}
		if contents, ok := x.holds(a, way, r.values); ok {
			out = append(out, foundSum{way, contents})
		}
	}
	return out
}

// holds tells whether the way is right on every disk, and how many different
// contents the span has on them.
func (x *sumSearch) holds(a *candidate.Sum, way SumWay, want []uint64) (contents int, ok bool) {
	seen := map[string]bool{}
	for d := range x.dumps {
		data, err := x.span(d, way.Start, int(way.Count))
		if err != nil {
			x.fail(err)
			return 0, false
		}
		way.Order.Turn(data)
		if a.Of(data) != want[d] {
			return 0, false
		}
		seen[string(data)] = true
	}
	return len(seen), true
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

// rowCache keeps, of spans of whole sectors on the first disk, every
// algorithm at every length: all targets of a sector look at the same.
type rowCache struct {
	sync.Mutex
	rows map[rowsKey][][]uint64 // by algorithm, then by length
}

type rowsKey struct {
	start              candidate.Place
	first, last, width int
	order              image.Order
}

// rowsOf returns the sums of a set of spans; none if a sector is not known.
func (w *worker) rowsOf(set spanSet, width int, algorithms []*candidate.Sum) [][]uint64 {
	last := set.ends[len(set.ends)-1]
	key := rowsKey{set.start, set.ends[0], last, width, set.order}
	w.rows.Lock()
	rows, ok := w.rows.rows[key]
	w.rows.Unlock()
	if ok {
		return rows
	}
	if data, err := w.read(0, set.start, last); err != nil {
		w.fail(err)
	} else {
		set.order.Turn(data)
		rows = sumsOf(data, set, algorithms)
	}
	w.rows.Lock()
	defer w.rows.Unlock()
	if len(w.rows.rows) >= maxRowSets || w.rows.rows == nil {
		w.rows.rows = map[rowsKey][][]uint64{}
	}
	w.rows.rows[key] = rows
	return rows
}

// sumsOf runs every algorithm over data, up to each end of the set; those that
// give nothing new in its byte order have no row.
func sumsOf(data []byte, set spanSet, algorithms []*candidate.Sum) [][]uint64 {
	rows := make([][]uint64, len(algorithms))
	for i, a := range algorithms {
		if sameTurned(a, set.order) {
			continue
		}
		run, at := a.Start(), 0
		for _, n := range set.ends {
			run.Add(data[at:n])
			at = n
			rows[i] = append(rows[i], run.Value())
		}
	}
	return rows
}

// maxRowSets bounds the cache: beyond it everything is forgotten.
const maxRowSets = 1 << 14
