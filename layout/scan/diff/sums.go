package diff

import (
	"fmt"
	"math"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Renewed is a checksum that is right over the bytes that are there now.
type Renewed struct {
	Sector   disk.Sector
	Byte     int
	Width    int
	Sum      string // see candidate.Sum
	Encoding candidate.Encoding
	Over     disk.Sector // sector of the first byte that it is over
	From     int         // that byte
	Count    int64       // bytes
	Inside   bool        // the field lies among them, and counts as zeros
	Right    bool        // it was right before too, over what was there then
	ByChance float64
}

// The bounds of the search: sectors that a checksum may be over, sectors looked
// into, and fields that are looked at beyond the usual spans. By hand, no source.
const (
	maxSpan   = 64
	maxSummed = 64
	maxFields = 16
	maxRuns   = 4     // fields that are looked at in runs of sectors
	barSum    = 0.005 // checksums expected by chance
)

// sumForms are the encodings of checksums, by their width.
var sumForms = map[int][]candidate.Encoding{1: {"u8"}, 2: {"le16", "be16"}, 4: {"le32", "be32", "be32-swap16"}}

// sums looks for checksums that were made new.
type sums struct {
	w      *work
	e      *end
	tried  map[int]float64 // by width: fields, algorithms and spans so far
	fields int             // looked at beyond the usual spans
	runs   int             // looked at in runs of sectors
	best   *Renewed
}

// findSums looks whether what is left of the changed bytes is a checksum over
// others that changed: first over the usual spans, then over all.
func (w *work) findSums() error {
	s := &sums{w: w, tried: map[int]float64{}}
	for _, look := range []func(at, width int) error{s.usual, s.more} {
		n := 0
		for i := range w.ends {
			if s.e = &w.ends[i]; s.e.left() == 0 || s.e.repeated {
				continue
			}
			if n++; n > maxSummed {
				break
			}
			if err := w.ctx.Err(); err != nil {
				return err
			}
			if err := s.each(look); err != nil {
				return err
			}
		}
	}
	return nil
}

// atEdge tells whether a field lies where checksums of a sector usually lie.
func (s *sums) atEdge(at int) bool { return at <= 32 || at >= len(s.e.is)-32 }

// each looks at every field of a sector that may be a checksum, at its ends
// first, and at whole words first: there it usually lies.
func (s *sums) each(look func(at, width int) error) error {
	for _, width := range []int{4, 2, 1} {
		for _, usual := range []int{3, 2, 1, 0} {
			for at := 0; at+width <= len(s.e.is); at++ {
				if s.atEdge(at) != (usual >= 2) || (at%width == 0) != (usual%2 == 1) || !s.field(at, width) {
					continue
				}
				s.best = nil
				if err := look(at, width); err != nil {
					return err
				}
				if s.best != nil {
					s.w.out.Renewed = append(s.w.out.Renewed, *s.best)
					s.e.claim(at, width, true)
				}
			}
		}
	}
	return nil
}

// circular tells whether a checksum of this sector that was found is over the
// field, and lies in its span: what adds up to a constant makes each of its
// bytes the checksum of the others.
func (s *sums) circular(r *Renewed) bool {
	return slices.ContainsFunc(s.w.out.Renewed, func(o Renewed) bool {
		return o.covers(r.Sector, r.Byte, s.w.size) && r.covers(o.Sector, o.Byte, s.w.size)
	})
}

// covers tells whether a byte of the disk lies in the span.
func (r *Renewed) covers(x disk.Sector, at int, size int64) bool {
	i := int64(x-r.Over)*size + int64(at-r.From)
	return i >= 0 && i < r.Count
}

// field tells whether some bytes may be a checksum that changed: some of them
// did, nothing else explains them, and no run of changed bytes is cut.
func (s *sums) field(at, width int) bool {
	for i := at; i < at+width; i++ {
		if !s.e.open[i] && s.e.was[i] != s.e.is[i] {
			return false
		}
	}
	return s.changed(at, width) > 0 && (width == 1 || at%2 == 0) && !s.e.cut(at, width)
}

// changed counts the bytes of a field that changed.
func (s *sums) changed(at, width int) (n int) {
	for i := at; i < at+width; i++ {
		if s.e.was[i] != s.e.is[i] {
			n++
		}
	}
	return n
}

// usual tries what lies before the field in its sector, the whole sector
// without it, and what follows it.
func (s *sums) usual(at, width int) error {
	size := len(s.e.is)
	s.span(at, width, 0, at)
	s.span(at, width, 0, size)
	s.span(at, width, at+width, size)
	return nil
}

// more tries any end in the field's sector, from a few starts, then whole
// sectors.
func (s *sums) more(at, width int) error {
	if s.fields++; s.fields > maxFields {
		return nil
	}
	size := len(s.e.is)
	for _, from := range []int{0, 4, 8, 16, at + width} {
		if from > at && from < at+width || from+16 > size {
			continue
		}
		first := from // the first byte that changed, beside the field
		for first < size && (s.e.was[first] == s.e.is[first] || first >= at && first < at+width) {
			first++
		}
		s.try(at, width, s.e.was[from:], s.e.is[from:], at-from, 4, max(16, first+1-from), Renewed{Over: s.e.at, From: from})
	}
	return s.sectors(at, width)
}

// span tries every algorithm over some bytes of the field's own sector.
func (s *sums) span(at, width, from, to int) {
	if to-from >= 8 { // of fewer bytes most sums of one byte are right by chance, of some span
		s.try(at, width, s.e.was[from:to], s.e.is[from:to], at-from, to-from, 0, Renewed{Over: s.e.at, From: from})
	}
}

// try tries every algorithm of a width over spans that begin with is: all
// multiples of step from least on. inside is where the field lies in is, if it
// does; a span that cuts it is none.
func (s *sums) try(at, width int, was, is []byte, inside, step, least int, r Renewed) {
	if inside >= 0 && inside+width <= len(is) {
		was, is = without(was, inside, width), without(is, inside, width)
	}
	r.Sector, r.Byte, r.Width = s.e.at, at, width
	for _, sum := range candidate.Sums {
		if sum.Width != width || s.best != nil {
			continue
		}
		run := sum.Start()
		for to := step; to <= len(is) && s.best == nil; to += step {
			run.Add(is[to-step : to])
			if to < least || to > inside && to < inside+width {
				continue
			}
			r.Inside, r.Count = inside >= 0 && to >= inside+width, int64(to)
			s.check(sum, run.Value(), was[:to], r)
		}
	}
}

// check looks whether the field holds a checksum now, and held it before.
func (s *sums) check(sum *candidate.Sum, now uint64, was []byte, r Renewed) {
	for _, e := range sumForms[r.Width] {
		s.tried[r.Width]++
		f, err := candidate.FormOf(e)
		if err != nil {
			panic(err) // they are encodings of that package
		}
		if v, _ := f.Decode(s.e.is[r.Byte:]); v != now || now == 0 || s.best != nil {
			continue // a sum of nothing says nothing
		}
		before, _ := f.Decode(s.e.was[r.Byte:])
		r.Right = before == sum.Of(was)
		chance := max(likely(byteChances, s.e.is[r.Byte:r.Byte+r.Width], nil), 1/mostOf(sum, r.Count))
		if r.Right { // then what did not change of it says nothing new
			chance *= math.Exp2(-8 * float64(s.changed(r.Byte, r.Width)))
		}
		r.Sum, r.Encoding, r.ByChance = sum.Name, e, s.tried[r.Width]*chance
		if !r.Right && r.Width < 4 && !s.atEdge(r.Byte) {
			continue // too little, where no checksum is expected
		}
		if r.ByChance <= barSum && !s.circular(&r) {
			found := r
			s.best = &found
		}
	}
}

// byteChances are those of the bytes of a checksum.
var byteChances = chancesOf("le32")

// mostOf returns how many values a checksum over so many bytes can have: bytes
// or words that are added up in a wide field do not fill it.
func mostOf(sum *candidate.Sum, count int64) float64 {
	most := math.Exp2(8 * float64(sum.Width))
	if sum.Words == 0 || sum.Words >= sum.Width {
		return most
	}
	return min(most, float64(count/int64(sum.Words))*math.Exp2(8*float64(sum.Words)))
}

// without returns bytes with the field in them as zeros.
func without(b []byte, at, width int) []byte {
	out := append([]byte(nil), b...)
	clear(out[at : at+width])
	return out
}

// sectors tries runs of whole sectors: from the field's own and those after it
// on, from the first of the region, and those that end before it.
func (s *sums) sectors(at, width int) error {
	if width == 1 || s.best != nil || s.runs == maxRuns {
		return nil
	}
	s.runs++
	x := s.e.at
	region := s.w.out.Regions[s.e.region].Span
	starts := []disk.Sector{x, x + 1, region.Start}
	for d := disk.Sector(2); d <= maxSpan/4; d++ {
		starts = append(starts, x+d)
	}
	for _, from := range starts {
		if err := s.run(at, width, from, disk.Between(from, min(from+maxSpan, s.w.out.Sectors))); err != nil {
			return err
		}
	}
	for from := max(0, x-maxSpan/4); from < x; from++ {
		if err := s.run(at, width, from, disk.Between(from, x)); err != nil {
			return err
		}
	}
	return nil
}

// run tries the spans of whole sectors that begin with a run and hold something
// that changed.
func (s *sums) run(at, width int, from disk.Sector, all disk.Span) error {
	first := s.w.firstChanged(all, s.e.at)
	if s.best != nil || first == disk.NoSector {
		return nil
	}
	for _, d := range []Side{s.w.before, s.w.after} {
		if u := image.Unknown(d.Source, all); len(u) > 0 {
			all.Count = max(0, u[0].Start-from)
		}
	}
	was, err := image.ReadSectors(s.w.before.Source, all)
	if err != nil {
		return fmt.Errorf("reading sectors %s of the disk before: %w", all, err)
	}
	is, err := image.ReadSectors(s.w.after.Source, all)
	if err != nil {
		return fmt.Errorf("reading sectors %s of the disk after: %w", all, err)
	}
	inside := int64(s.e.at-from)*s.w.size + int64(at)
	if s.e.at < from {
		inside = -int64(width)
	}
	least := int64(first-from+1) * s.w.size
	s.try(at, width, was, is, int(inside), int(s.w.size), int(least), Renewed{Over: from})
	return nil
}

// firstChanged returns the first changed sector of a span, but for one.
func (w *work) firstChanged(s disk.Span, but disk.Sector) disk.Sector {
	for i := range w.ends {
		if x := w.ends[i].at; s.Holds(x) && x != but {
			return x
		}
	}
	return disk.NoSector
}
