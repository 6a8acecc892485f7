package compare

import (
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
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
	start candidate.Place
	ends  []int
	plain bool
	order image.Order // in which the bytes are taken
}

// spanSets lists the spans that may be summed up in a target, usual ones
// first. Only usual ones are taken in another byte order, and not such as hold
// the target and more sectors.
func (w *worker) spanSets(t *target) (out []spanSet) {
	out = append(w.inSector(t), w.holding(t)...)
	if t.width > 1 {
		out = append(out, w.apart(t)...)
	}
	out = slices.DeleteFunc(out, func(s spanSet) bool { return len(s.ends) == 0 })
	for i := range out {
		out[i].order = image.Plain
		out[i].ends = w.telling(t, out[i])
	}
	out = slices.DeleteFunc(out, func(s spanSet) bool { return len(s.ends) == 0 })
	for _, s := range slices.Clone(out) {
		whole := s.ends[len(s.ends)-1] > w.c.SectorSize
		if !s.plain || s.start.Byte%4 != 0 || t.width == 1 || whole && w.holdsTarget(t, s) {
			continue
		}
		s.ends = slices.DeleteFunc(slices.Clone(s.ends), func(n int) bool { return n%4 != 0 })
		for _, s.order = range []image.Order{image.Swap16, image.Swap32} {
			if len(s.ends) > 0 {
				out = append(out, s)
			}
		}
	}
	return out
}

// telling returns the ends of the spans that hold a difference beside the
// target: the others cannot be what makes it differ.
func (w *worker) telling(t *target, set spanSet) []int {
	size := w.c.SectorSize
	last := set.ends[len(set.ends)-1]
	p, at := set.start.SectorStart(), set.start.Byte
	for n := 0; n < last; p, at = p.After(1), 0 {
		here := min(size-at, last-n)
		differs := w.moves(p)
		if p == t.s.at {
			differs = false
			for i := at; i < at+here && !differs; i++ {
				if differs = t.s.diff[i] && (i < t.at || i >= t.at+t.width); differs {
					n += i - at
				}
			}
		}
		if differs {
			first := slices.IndexFunc(set.ends, func(e int) bool { return e > n })
			return set.ends[max(0, first):]
		}
		n += here
	}
	return nil
}

// inSector lists spans in the sector of the target: usual ones, that begin
// with the sector or after the target; then such as begin there and end
// anywhere; then such as begin where structures do.
func (w *worker) inSector(t *target) (out []spanSet) {
	after := t.at + t.width
	borders := slices.Compact([]int{0, after, (after + 3) &^ 3})
	add := func(start int, plain bool, fits func(n int) bool) {
		set := spanSet{start: t.s.at, plain: plain}
		set.start.Byte = start
		for n := 1; start+n <= w.c.SectorSize; n++ {
			if fits(n) {
				set.ends = append(set.ends, n)
			}
		}
		out = append(out, set)
	}
	for _, b := range borders {
		add(b, true, func(n int) bool { return w.usual(t, b, n) })
	}
	for _, b := range borders {
		add(b, false, func(n int) bool { return n%4 == 0 && !w.usual(t, b, n) })
	}
	for _, b := range structStarts {
		add(b, false, func(n int) bool { return w.usual(t, b, n) || slices.Contains(structStarts, b+n) })
	}
	return out
}

// usual tells whether a span of n bytes from start ends where such spans do:
// at the target, at the end of the sector, or after a round number of bytes.
func (w *worker) usual(t *target, start, n int) bool {
	e, size := start+n, w.c.SectorSize
	return e == t.at || e == t.at&^3 || e == size || e == size-4 || e == size-2 || n >= 8 && n&(n-1) == 0
}

// holding lists spans of several whole sectors that hold the target.
func (w *worker) holding(t *target) (out []spanSet) {
	for d := disk.Sector(-selfStart); d <= 0; d++ {
		out = append(out, w.sectors(t.s.at.After(d), true, max(2, 1-int(d)), selfReach))
	}
	return out
}

// sectors returns the spans of least to most whole sectors from start on.
func (w *worker) sectors(start candidate.Place, plain bool, least, most int) spanSet {
	set := spanSet{start: start, plain: plain}
	most = min(most, w.reach(start))
	for _, n := range sumLengths {
		if n >= least && n <= most {
			set.ends = append(set.ends, n*w.c.SectorSize)
		}
	}
	return set
}

// apart lists spans of whole sectors before or after the target's.
func (w *worker) apart(t *target) (out []spanSet) {
	add := func(d disk.Sector, least, most int) {
		if d < 0 {
			most = min(most, int(-d))
		}
		out = append(out, w.sectors(t.s.at.After(d), d == 1 || least == int(-d), least, most))
	}
	add(1, 1, sumLengths[len(sumLengths)-1])
	for _, back := range sumLengths { // up to the sector of the checksum
		add(disk.Sector(-back), back, back)
	}
	for d := disk.Sector(2); d <= sumReach; d++ {
		add(d, 1, farReach)
		add(-d, 1, farReach)
	}
	return out
}

// reach returns how many sectors from p on lie in the compared area.
func (w *worker) reach(p candidate.Place) int {
	switch {
	case p.From == layout.FromEnd && p.Sector >= 1 && p.Sector <= w.c.Tail:
		return int(p.Sector)
	case p.From == layout.FromStart && p.Sector >= 0 && p.Sector < w.c.Head:
		return int(w.c.Head - p.Sector)
	}
	return 0
}

// holdsTarget tells whether the longest span of the set reaches the sector of
// the target.
func (w *worker) holdsTarget(t *target, set spanSet) bool {
	apart := int64(t.s.at.At(0) - set.start.At(0))
	return apart >= 0 && apart*int64(w.c.SectorSize) < int64(set.start.Byte+set.ends[len(set.ends)-1])
}
