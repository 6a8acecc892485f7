package compare

import (
	"bytes"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// rest classes what no rule explains: disks of one size tell what belongs to
// the unit, one unit twice tells what changes by itself.
func (w *worker) rest() {
	for _, s := range w.sheets {
		if s.copy {
			w.ownBytes(s)
		}
		for i := 0; i < len(s.diff); i++ {
			if !s.diff[i] {
				w.c.Bytes[Constant]++
				continue
			}
			if s.done[i] {
				continue
			}
			class := w.class(s, i)
			j := i + 1
			for j < len(s.diff) && s.diff[j] && !s.done[j] && w.class(s, j) == class {
				j++
			}
			p := s.at
			p.Byte = i
			w.c.Carried = append(w.c.Carried, Stretch{p, j - i, class})
			w.c.Bytes[class] += int64(j - i)
			i = j - 1
		}
	}
	w.unexplained()
	for _, p := range w.c.content {
		w.c.Carried = appendContent(w.c.Carried, p, w.c.SectorSize)
	}
	slices.SortFunc(w.c.Carried, func(a, b Stretch) int { return a.Place.Compare(b.Place) })
}

// ownBytes counts what a copy shares with its original and has of its own.
func (w *worker) ownBytes(s *sheet) {
	for i := range s.diff {
		switch {
		case !s.own[i] && s.diff[i]:
			w.c.Bytes[Copy]++
		case s.own[i] && !s.diff[i]:
			w.c.Bytes[CopyNumber]++
			w.c.Bytes[Constant]--
		}
	}
}

// appendContent adds a sector, as part of the run before it if it follows it.
func appendContent(list []Stretch, p candidate.Place, size int) []Stretch {
	if n := len(list); n > 0 {
		last := &list[n-1]
		if last.Class == Content && last.Place.After(disk.Sector(last.Count/size)) == p && last.Count < 1<<30 {
			last.Count += size
			return list
		}
	}
	return append(list, Stretch{p, size, Content})
}

// class tells why byte i differs, from pairs of disks of one size.
func (w *worker) class(s *sheet, i int) Class {
	identity, volatile := false, false
	for a := range s.data {
		for b := range a {
			if w.c.sizes[a] != w.c.sizes[b] || s.data[a][i] == s.data[b][i] {
				continue
			}
			one := w.c.oneUnit(a, b)
			volatile, identity = volatile || one, identity || !one
		}
	}
	switch {
	case volatile:
		return Volatile
	case identity:
		return Identity
	}
	return Unknown
}

// say puts what these disks can and cannot decide into findings.
func (c *Comparison) say() {
	distinct := slices.Compact(slices.Clone(c.Sizes))
	note := func(code disk.Code, text string, args ...any) {
		c.Findings = append(c.Findings, disk.Notef(code, disk.NoSector, text, args...))
	}
	switch {
	case len(distinct) == 1:
		note(disk.CompareOneSize, "all %d originals have %d sectors: they tell what belongs to the unit or changes by "+
			"itself, and nothing about the size. One of another size is needed", len(c.Sizes), distinct[0])
	case len(distinct) == 2:
		note(disk.CompareTwoSizes, "two sizes decide only what is simple: whole numbers of sectors or bytes that nothing "+
			"was solved for. A unit or an amount taken away needs a third size")
	}
	if len(distinct) == len(c.Sizes) {
		note(disk.CompareNoPair, "no two originals have one size: what belongs to the unit and what changes by itself "+
			"cannot be told apart")
	}
	var lost disk.Sector
	for _, u := range c.unread {
		lost += u.count
	}
	if lost > 0 {
		c.Findings = append(c.Findings, disk.Warningf(disk.CompareNotRead, disk.NoSector,
			"%d sectors of the boot areas are not known in every original, the first at %s, and were not compared", lost,
			c.unread[0].String()))
	}
	undecided := 0
	for i := range c.Fields {
		if c.State(&c.Fields[i]) == Undecided {
			undecided++
		}
	}
	if undecided > 0 {
		note(disk.CompareUndecided, "%d fields follow the size on all originals, but not surely enough: another size "+
			"decides most", undecided)
	}
}

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
	bySector := sheetsBySector(w.sheets)
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
	order := w.c.bySize()
	up, upBack, pair := true, true, false
	for k, b := range order[1:] {
		a := order[k]
		x, y := s.data[a][from:to], s.data[b][from:to]
		if w.c.sizes[a] == w.c.sizes[b] {
			pair = pair || !w.c.oneUnit(a, b)
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
