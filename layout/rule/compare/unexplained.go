package compare

import (
	"bytes"
	"cmp"
	"slices"

	"bootgraft/layout/rule/candidate"
)

// maxGrowing is how many bytes in a row can differ because of the size: the bytes
// of a disk of 1 TB are a number of five. More are drawn at random, or are text.
const maxGrowing = 5

// digits tells whether bytes are decimal digits as text, or blanks before them.
func digits(b []byte) bool {
	return !slices.ContainsFunc(b, func(c byte) bool { return c != ' ' && (c < '0' || c > '9') })
}

// unexplained looks, of the bytes that have no rule, for those that follow the
// size as far as the originals show. What belongs to a unit does not: two units
// of one size differ in it, and from size to size it goes up and down.
func (w *worker) unexplained() {
	bySector := map[candidate.Place]*sheet{}
	for _, s := range w.sheets {
		bySector[s.at] = s
	}
	list := w.c.Carried
	for i := range list {
		x := &list[i]
		s := bySector[x.SectorStart()]
		if x.Class != Unknown || s == nil || beside(list, i) || !w.grows(s, x.Byte, x.Byte+x.Count) {
			continue
		}
		x.Class = Unexplained
		w.c.Bytes[Unknown] -= int64(x.Count)
		w.c.Bytes[Unexplained] += int64(x.Count)
		w.doubtOver(x, "it covers bytes that follow the size without a rule", func(*Check) bool { return true })
	}
	for i := range list {
		w.doubtOver(&list[i], "it is the sum of few numbers, of which one has no rule, and may be made of it as well",
			func(c *Check) bool { return 2*list[i].Count >= c.Width && w.ofFewNumbers(c) })
	}
}

// doubtOver takes the proof from checksums of a kind that cover a run without a rule.
func (w *worker) doubtOver(x *Stretch, why string, kind func(*Check) bool) {
	for i := range w.c.Checks {
		c := &w.c.Checks[i]
		under := Check{Place: x.Place, Width: x.Count}
		if c.Doubt == "" && w.c.covers(c, &under) && kind(c) {
			c.Doubt = why
		}
	}
}

// fewNumbers is of how many words that are not zero a sum is no checksum but says what
// numbers have to do with each other: by hand, no source.
const fewNumbers = 3

// ofFewNumbers tells whether a checksum adds up few words, and does not lie beside them:
// then it is as likely that one of them is made of it.
func (w *worker) ofFewNumbers(c *Check) bool {
	way := c.Ways[0]
	sum, err := candidate.SumOf(way.Sum)
	if err != nil || sum.Words != c.Width || c.Width == 1 || way.Start.SectorStart() == c.SectorStart() {
		return false
	}
	span, err := w.read(0, way.Start, int(way.Count))
	if err != nil {
		w.fail(err)
		return false
	}
	words := 0
	for i := 0; i+c.Width <= len(span) && words <= fewNumbers; i += c.Width {
		if slices.ContainsFunc(span[i:i+c.Width], func(b byte) bool { return b != 0 }) {
			words++
		}
	}
	return words <= fewNumbers
}

// beside tells whether a run touches one of which is known why it differs: it is
// the part of it that happens to be the same on some units. The runs of a sector are
// in order.
func beside(list []Stretch, i int) bool {
	x := &list[i]
	return slices.ContainsFunc(list[max(0, i-1):min(len(list), i+2)], func(y Stretch) bool {
		return y.SectorStart() == x.SectorStart() && (y.Class == Identity || y.Class == Volatile) &&
			(y.Byte+y.Count == x.Byte || x.Byte+x.Count == y.Byte)
	})
}

// grows tells whether bytes may follow the size: two units of one size agree in
// them, or where there are no such two, they never go down while the size goes
// up, be their highest byte the first or the last.
func (w *worker) grows(s *sheet, from, to int) bool {
	if to-from > maxGrowing && !digits(s.data[0][from:to]) {
		return false // no size of a disk has so many bytes
	}
	order := make([]int, len(s.data))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(w.c.sizes[a], w.c.sizes[b]) })
	up, upBack, pair := true, true, false
	for k, b := range order[1:] {
		a := order[k]
		x, y := s.data[a][from:to], s.data[b][from:to]
		if w.c.sizes[a] == w.c.sizes[b] {
			other := w.c.units[a] == "" || w.c.units[a] != w.c.units[b]
			pair = pair || other
			continue
		}
		up = up && bytes.Compare(x, y) <= 0
		upBack = upBack && bytes.Compare(reversed(x), reversed(y)) <= 0
	}
	return pair && w.c.sizes[order[0]] != w.c.sizes[order[len(order)-1]] || up || upBack
}

func reversed(b []byte) []byte {
	b = bytes.Clone(b)
	slices.Reverse(b)
	return b
}
