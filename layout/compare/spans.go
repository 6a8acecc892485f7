package compare

import (
	"bytes"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/boot"
)

// structStarts are bytes of a sector at which a span may begin, beside its
// first byte and the one after the checksum.
var structStarts = []int{4, 8, 12, 16, 20, 24, 32, 48, 64, 128, 256}

// How far spans of whole sectors may begin before and after the sector of a
// checksum, and how far such a span may reach if it holds the checksum itself.
const (
	sumReach  = 8
	farReach  = 16 // of spans that do not begin beside the checksum
	selfStart = 2
	selfReach = 16
)

// sumLengths are the lengths of spans of whole sectors, in sectors.
var sumLengths = []int{1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 15, 16, 20, 24, 30, 31, 32, 33, 48, 63, 64, 96, 100, 127, 128}

// spanSet is a start and the lengths to look at, in bytes, ascending; plain
// says that such spans are usual.
type spanSet struct {
	start Place
	ends  []int
	plain bool
}

// sumRows holds, of one start, every algorithm at every length of whole
// sectors, on the first disk.
type sumRows struct {
	ends []int
	rows [][]uint64 // by algorithm, then by length
}

type rowsKey struct {
	start       Place
	first, last int
}

// sum looks for an algorithm and a span that give the target on every disk.
func (w *worker) sum(t *target) *sumHit {
	h := &sumHit{t: t, bits: -1}
	most := float64(8 * t.cover * len(w.dumps))
	algorithms := 0
	for _, a := range boot.Sums {
		if a.Width == t.width {
			algorithms++
		}
	}
	try := func(set spanSet, look func(*target, spanSet) []foundSum) {
		choice := cost(float64(algorithms * len(t.want) * 64))
		if !set.plain {
			choice = cost(float64(algorithms * len(t.want) * 512 * 128))
		}
		if most-choice < Bar && !set.plain || most <= choice {
			return
		}
		for _, found := range look(t, set) {
			if bits := float64(8*t.cover*found.contents) - choice; bits > h.bits {
				h.bits = bits
				h.ways = slices.Insert(h.ways, 0, found.way)
			} else if len(h.ways) < maxSumWays {
				h.ways = append(h.ways, found.way)
			}
		}
	}
	for _, set := range w.inSector(t) {
		if set.plain || h.bits < 0 {
			try(set, w.tryOwn)
		}
	}
	for _, set := range w.holding(t) {
		try(set, w.tryOwn)
	}
	if t.width > 1 {
		for _, set := range w.apart(t) {
			try(set, w.tryApart)
		}
	}
	if len(h.ways) == 0 {
		return nil
	}
	return h
}

// inSector lists spans in the sector of the target, usual ones first: those
// that begin with the sector or after the target, then such as begin where
// structures do. The second kind is for targets that no usual span explains.
func (w *worker) inSector(t *target) (out []spanSet) {
	size := w.c.SectorSize
	here := func(b int) Place { p := t.s.at; p.Byte = b; return p }
	usual := func(start, n int) bool {
		e := start + n
		return e == t.at || e == size || e == size-4 || e == size-2 || n >= 8 && n&(n-1) == 0
	}
	for _, plain := range []bool{true, false} {
		for b := 0; b < size; b++ {
			border := b == 0 || b == t.at+t.width
			if !border && (plain || !slices.Contains(structStarts, b)) {
				continue
			}
			set := spanSet{start: here(b), plain: plain}
			for n := 1; b+n <= size; n++ {
				if isUsual := border && usual(b, n); isUsual == plain && (plain || n%4 == 0) {
					set.ends = append(set.ends, n)
				}
			}
			if len(set.ends) > 0 {
				out = append(out, set)
			}
		}
	}
	return out
}

// holding lists spans of several whole sectors that hold the target.
func (w *worker) holding(t *target) (out []spanSet) {
	for d := layout.Sector(-selfStart); d <= 0; d++ {
		start := t.s.at.after(d)
		most := min(w.reach(start), selfReach)
		set := spanSet{start: start, plain: true}
		for _, n := range sumLengths {
			if n <= most && n > int(-d) && n > 1 {
				set.ends = append(set.ends, n*w.c.SectorSize)
			}
		}
		if len(set.ends) > 0 {
			out = append(out, set)
		}
	}
	return out
}

// apart lists spans of whole sectors before or after the target's.
func (w *worker) apart(t *target) (out []spanSet) {
	add := func(d layout.Sector, least, most int) {
		start := t.s.at.after(d)
		most = min(most, w.reach(start))
		if d < 0 {
			most = min(most, int(-d))
		}
		set := spanSet{start: start, plain: d == 1 || least == int(-d)}
		for _, n := range sumLengths {
			if n >= least && n <= most {
				set.ends = append(set.ends, n*w.c.SectorSize)
			}
		}
		if len(set.ends) > 0 {
			out = append(out, set)
		}
	}
	add(1, 1, sumLengths[len(sumLengths)-1])
	for _, back := range sumLengths { // up to the sector of the checksum
		add(layout.Sector(-back), back, back)
	}
	for d := layout.Sector(2); d <= sumReach; d++ {
		add(d, 1, farReach)
		add(-d, 1, farReach)
	}
	return out
}

// reach returns how many sectors from p on lie in the compared area.
func (w *worker) reach(p Place) int {
	switch {
	case p.From == layout.FromEnd && p.Sector >= 1 && p.Sector <= w.c.Tail:
		return int(p.Sector)
	case p.From == layout.FromStart && p.Sector >= 0 && p.Sector < w.c.Head:
		return int(w.c.Head - p.Sector)
	}
	return 0
}

// tryOwn runs every algorithm over spans that may hold the target.
func (w *worker) tryOwn(t *target, set spanSet) (out []foundSum) {
	data, err := w.span(t, 0, set.start, set.ends[len(set.ends)-1])
	if err != nil {
		return nil // not read on this disk: no span to try
	}
	for _, a := range boot.Sums {
		if a.Width != t.width {
			continue
		}
		run := a.Start()
		at := 0
		for _, n := range set.ends {
			run.Add(data[at:n])
			at = n
			out = w.hit(out, t, a, set.start, n, run.Value())
		}
	}
	return out
}

// tryApart looks the sums up that do not depend on the target.
func (w *worker) tryApart(t *target, set spanSet) (out []foundSum) {
	rows := w.rowsOf(set)
	if rows == nil {
		return nil
	}
	for i, a := range boot.Sums {
		if a.Width != t.width {
			continue
		}
		for j, n := range rows.ends {
			out = w.hit(out, t, a, set.start, n, rows.rows[i][j])
		}
	}
	return out
}

func (w *worker) rowsOf(set spanSet) *sumRows {
	key := rowsKey{set.start, set.ends[0], set.ends[len(set.ends)-1]}
	if r, ok := w.rows[key]; ok {
		return r
	}
	r := &sumRows{ends: set.ends}
	data, err := w.read(0, set.start, key.last)
	if err != nil {
		w.rows[key] = nil
		return nil
	}
	for _, a := range boot.Sums {
		run, at := a.Start(), 0
		var row []uint64
		for _, n := range r.ends {
			run.Add(data[at:n])
			at = n
			row = append(row, run.Value())
		}
		r.rows = append(r.rows, row)
	}
	w.rows[key] = r
	return r
}

// foundSum is a span and algorithm that fit, and over how many different
// contents.
type foundSum struct {
	way      SumWay
	contents int
}

// hit adds a way if the value is that of the target on the first disk, and
// the other disks agree. A sum of zero says nothing.
func (w *worker) hit(out []foundSum, t *target, a *boot.Sum, start Place, n int, v uint64) []foundSum {
	for _, r := range t.want {
		if r.values[0] != v || v == 0 || len(out) >= maxSumWays {
			continue
		}
		way := SumWay{Sum: a.Name, Encoding: r.encoding, Byte: t.at, Start: start, Count: int64(n), Order: image.Plain}
		if contents, ok := w.holds(t, a, way, r.values); ok {
			out = append(out, foundSum{way, contents})
		}
	}
	return out
}

// holds tells whether the way is right on every disk, and how many different
// contents the span has on them.
func (w *worker) holds(t *target, a *boot.Sum, way SumWay, want []uint64) (contents int, ok bool) {
	seen := map[string]bool{}
	for d := range w.dumps {
		data, err := w.span(t, d, way.Start, int(way.Count))
		if err != nil || a.Of(data) != want[d] {
			return 0, false
		}
		seen[string(data)] = true
	}
	return len(seen), true
}

// span returns bytes of one disk with those of the target as zeros.
func (w *worker) span(t *target, dump int, start Place, n int) ([]byte, error) {
	size := w.c.SectorSize
	if start.sector() == t.s.at && start.Byte+n <= size {
		b := bytes.Clone(t.s.data[dump][start.Byte : start.Byte+n])
		blankOut(b, t.at-start.Byte, t.width)
		return b, nil
	}
	b, err := w.read(dump, start, n)
	if err != nil {
		return nil, err
	}
	apart := int(t.s.at.At(0) - start.At(0))
	blankOut(b, apart*size+t.at-start.Byte, t.width)
	return b, nil
}

func (w *worker) read(dump int, start Place, n int) ([]byte, error) {
	src := w.dumps[dump].Source
	b := make([]byte, n)
	at := start.At(image.Sectors(src))
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
