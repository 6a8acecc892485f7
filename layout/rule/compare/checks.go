package compare

import (
	"cmp"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// maxTargets bounds how many readings of differing bytes are looked at as
// checksums, maxSumWays how many spans and algorithms are kept for one.
const (
	maxTargets = 2048
	maxSumWays = 32
)

// target is a run of bytes that may be a checksum.
type target struct {
	s     *sheet
	at    int
	width int
	cover int
	same  int // bytes that are the same on all disks and not blank
	want  []reading
}

// reading is what a target holds on each disk, in one encoding.
type reading struct {
	encoding candidate.Encoding
	values   []uint64
}

// sumHit is a checksum that is right on every disk.
type sumHit struct {
	t    *target
	ways []SumWay
	bits float64
}

// checks finds the checksums among bytes that no field explains.
func (w *worker) checks() error {
	copies, originals := split(w.sheets, func(s *sheet) bool { return s.copy })
	if err := w.checksIn(originals); err != nil {
		return err
	}
	w.checksOfCopies()
	return w.checksIn(copies)
}

// split returns what something is true of, and the rest.
func split[T any](list []T, is func(T) bool) (yes, no []T) {
	for _, x := range list {
		if is(x) {
			yes = append(yes, x)
		} else {
			no = append(no, x)
		}
	}
	return yes, no
}

// checksIn finds the checksums of some sheets, where little is open first.
func (w *worker) checksIn(sheets []*sheet) error {
	slices.SortStableFunc(sheets, func(a, b *sheet) int { return a.open(0, len(a.diff)) - b.open(0, len(b.diff)) })
	var targets []*target
	for _, s := range sheets {
		if len(targets) > maxTargets {
			break
		}
		targets = append(targets, w.targets(s)...)
	}
	if len(targets) > maxTargets {
		w.c.Findings = append(w.c.Findings, disk.Notef(disk.CompareManyUnexplained, disk.NoSector,
			"more than %d readings of bytes that differ without a rule may be checksums; they were looked for in the sectors "+
				"where fewest bytes are open", maxTargets))
		targets = targets[:maxTargets]
	}
	hits, err := w.sums(targets)
	if err != nil {
		return err
	}
	hits = slices.DeleteFunc(slices.Clone(hits), func(h *sumHit) bool { return slices.ContainsFunc(hits, h.partOf) })
	weak, strong := split(hits, func(h *sumHit) bool { return h.bits < bar })
	w.weakHits = append(w.weakHits, weak...)
	w.acceptChecks(strong)
	return nil
}

// sums looks for the checksums of targets.
func (w *worker) sums(targets []*target) ([]*sumHit, error) {
	hits := make([]*sumHit, len(targets))
	if err := w.each(len(targets), func(i int) { hits[i] = w.sum(targets[i]) }); err != nil {
		return nil, err
	}
	hits = slices.DeleteFunc(hits, func(h *sumHit) bool { return h == nil })
	for _, h := range hits {
		h.bits -= cost(float64(len(targets)))
	}
	return hits, nil
}

// standing finds checksums at the end of sectors that are the same on all disks,
// though what they sum up differs: the bytes of a number of whole cylinders of 255
// heads, say, add up to the same modulo 255.
func (w *worker) standing() error {
	var targets []*target
	for _, s := range w.sheets {
		if s.copy {
			continue
		}
		for _, p := range [][2]int{{w.c.SectorSize - 4, 4}, {w.c.SectorSize - 4, 2}, {w.c.SectorSize - 2, 2}} {
			at, width := p[0], p[1]
			if t := newTarget(s, at, width, 0); t.same >= 2 && !slices.Contains(s.diff[at:at+width], true) {
				targets = append(targets, t)
			}
		}
	}
	hits, err := w.sums(targets)
	if err == nil {
		w.acceptChecks(hits)
	}
	return err
}

// partOf tells whether a checksum is the lower part of a longer one, whose upper part
// happens to be the same on all disks: the sum of a few hundred bytes has 16 bits, and
// the upper eight of them move less.
func (h *sumHit) partOf(long *sumHit) bool {
	t, l := h.t, long.t
	return t.s == l.s && l.at <= t.at && t.at+t.width <= l.at+l.width && t.width < l.width && t.cover == l.cover &&
		t.same < l.same
}

// evidence is what the checksum predicted of every disk, and of the bytes that are the
// same on all once.
func (h *sumHit) evidence() float64 { return h.bits + 8*float64(h.t.same) }

// moves tells whether a sector differs: a span in which nothing does is no reason for a
// checksum to differ. Sheets and content are in order, as they are read.
func (w *worker) moves(p candidate.Place) bool {
	_, sheet := slices.BinarySearchFunc(w.sheets, p, func(s *sheet, p candidate.Place) int { return s.at.Compare(p) })
	_, content := slices.BinarySearchFunc(w.c.content, p, candidate.Place.Compare)
	return sheet || content
}

// targets returns every run of 4, 2 or 1 bytes that holds a difference which
// nothing explains, and nothing that is explained.
func (w *worker) targets(s *sheet) (out []*target) {
	for _, width := range []int{4, 2, 1} {
		for at := 0; at+width <= len(s.diff); at++ {
			n := s.open(at, at+width)
			if n == 0 || 2*n < width || slices.Contains(s.done[at:at+width], true) && !s.copy ||
				s.openBytes(at, at+width) == nil { // of a copy what is the same is done, and may be in it
				continue
			}
			out = append(out, newTarget(s, at, width, n))
		}
	}
	return out
}

func newTarget(s *sheet, at, width, cover int) *target {
	t := &target{s: s, at: at, width: width, cover: cover}
	for i := at; i < at+width; i++ {
		if _, blank := image.Blank(s.data[0][i : i+1]); !s.diff[i] && !blank {
			t.same++
		}
	}
	names := map[int][]candidate.Encoding{1: {"u8"}, 2: {"le16", "be16"},
		4: {"le32", "be32", "be32-swap16", "le32-swap16"}}[width]
	for _, f := range formsOf(names) {
		r := reading{encoding: f.Encoding}
		for _, d := range s.data {
			v, _ := f.Decode(d[at : at+width]) // binary forms read anything
			r.values = append(r.values, v)
		}
		t.want = append(t.want, r)
	}
	return t
}

// acceptWeakChecks takes those checksums that may be chance which are wanted: of
// copies only what is not the checksum of their original.
func (w *worker) acceptWeakChecks(wanted func(*sumHit) bool) {
	list, _ := split(w.weakHits, wanted)
	copies, originals := split(list, func(h *sumHit) bool { return h.t.s.copy })
	w.acceptChecks(originals)
	w.checksOfCopies()
	w.acceptChecks(copies)
}

// ofOneNumber tells whether all that differs in the span of a sum lies in one number: then
// the sum is that number and a constant, and says no more than that one follows from the
// other.
func (w *worker) ofOneNumber(h *sumHit) bool {
	way := h.ways[0]
	if a, err := candidate.SumOf(way.Sum); err != nil || a.Words == 0 {
		return false
	}
	size := int64(w.c.SectorSize)
	place := func(p candidate.Place) int64 { return int64(p.At(0))*size + int64(p.Byte) }
	from := place(way.Start)
	first, last := from+way.Count, from
	for _, s := range w.sheets {
		if s.at.From != way.Start.From {
			continue
		}
		for i, differs := range s.diff {
			at := place(s.at) + int64(i)
			own := s == h.t.s && i >= h.t.at && i < h.t.at+h.t.width
			if !differs || own || at < from || at >= from+way.Count {
				continue
			}
			first, last = min(first, at), max(last, at)
		}
	}
	return first <= last && last-first < 8 // what is no sheet is content, and no number
}

// meets tells whether a number shares bytes with the target.
func (t *target) meets(g *guess) bool { return g.s == t.s && g.at < t.at+t.width && t.at < g.end() }

// acceptChecks takes the checksums that predicted most, none twice, and none
// that would only be right because another one that it covers is.
func (w *worker) acceptChecks(hits []*sumHit) {
	size := w.c.SectorSize
	slices.SortStableFunc(hits, func(a, b *sumHit) int { return cmp.Compare(b.rank(size), a.rank(size)) })
	for _, h := range hits {
		t := h.t
		least := bar / 2.0
		if t.at >= size-8 {
			least = 0 // where people put checksums
		}
		if h.evidence() <= least || len(w.c.Checks) == maxChecks || t.s.open(t.at, t.at+t.width) != t.cover ||
			t.cover == 0 && slices.Contains(t.s.done[t.at:t.at+t.width], true) {
			continue
		}
		c := Check{Place: t.s.at, Width: t.width, Bits: tenths(h.bits), Ways: h.ways}
		c.Byte = t.at
		if slices.ContainsFunc(w.c.Checks, func(d Check) bool { return w.c.covers(&c, &d) && w.c.covers(&d, &c) }) {
			continue
		}
		t.s.explain(t.at, t.at+t.width)
		w.c.Checks = append(w.c.Checks, c)
		w.c.Bytes[Checksum] += int64(t.cover)
	}
}

// rank puts checksums first that lie where people put them: at a border of
// their span, or at the end of a sector, at a natural place.
func (h *sumHit) rank(size int) float64 {
	r := h.bits + 8*float64(h.t.width-h.t.cover) // what is the same on all is predicted too, once
	if h.t.at%h.t.width == 0 {
		r++
	}
	if h.t.at >= size-8 {
		r += 8
	}
	if h.t.beside(h.ways[0]) {
		r += 6
	}
	return r
}

// covers tells whether the span of c, by its first reading, holds a byte of d.
// Only spans and checksums of one area can meet.
func (r *Rules) covers(c, d *Check) bool {
	w := c.Ways[0]
	if w.Start.From != d.From {
		return false
	}
	at := func(p candidate.Place) int64 { return int64(p.At(0))*int64(r.SectorSize) + int64(p.Byte) }
	return at(d.Place)+int64(d.Width) > at(w.Start) && at(d.Place) < at(w.Start)+w.Count
}
