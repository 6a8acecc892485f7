package disk

import (
	"fmt"
	"slices"
)

// Sector is an address or a count of logical sectors of one disk. It is never
// a number of bytes; the size of a sector belongs to the disk.
type Sector int64

// Span is a run of Count sectors that begins at Start. Both are in logical
// sectors and neither is negative in a valid Span; a Span of no sectors is
// empty wherever it lies.
type Span struct {
	Start Sector `json:"start"`
	Count Sector `json:"count"`
}

// Between returns the span from start up to, and without, end. An end before
// start gives an empty span at start.
func Between(start, end Sector) Span {
	return Span{Start: start, Count: max(0, end-start)}
}

// End returns the first sector after the span.
func (s Span) End() Sector { return s.Start + s.Count }

// Last returns the last sector of the span, or Start-1 if it is empty.
func (s Span) Last() Sector { return s.Start + s.Count - 1 }

// Empty tells whether the span holds no sector.
func (s Span) Empty() bool { return s.Count <= 0 }

// Extent returns the span itself. Types that embed a Span have this method,
// and so can be tiled, sorted and searched alike.
func (s Span) Extent() Span { return s }

// Holds tells whether sector x lies in the span.
func (s Span) Holds(x Sector) bool { return x >= s.Start && x < s.End() }

// Covers tells whether all of t lies in s. An empty t is covered by any span.
func (s Span) Covers(t Span) bool {
	return t.Empty() || (t.Start >= s.Start && t.End() <= s.End())
}

// Inside tells whether s holds a sector and lies wholly on a disk of n, whatever its
// numbers are: Covers trusts that they can be added.
func (s Span) Inside(n Sector) bool {
	return s.Start >= 0 && s.Count > 0 && s.Count <= n && s.Start <= n-s.Count
}

// Common returns the sectors that s and t share; it is empty if they share none.
func (s Span) Common(t Span) Span {
	return Between(max(s.Start, t.Start), min(s.End(), t.End()))
}

// Overlaps tells whether s and t share a sector.
func (s Span) Overlaps(t Span) bool { return !s.Common(t).Empty() }

// String writes the span as the command line takes it: START+COUNT.
func (s Span) String() string { return fmt.Sprintf("%d+%d", s.Start, s.Count) }

// Spans is a set of sectors: sorted by Start, no span empty, none touching or
// overlapping another. The zero value is the empty set.
type Spans []Span

// NewSpans returns the set that holds every sector of the given spans, which
// may be in any order and may overlap.
func NewSpans(spans ...Span) Spans { return SpansFrom(slices.Clone(spans)) }

// SpansFrom is NewSpans for a long list that nobody needs any more: the set
// takes its memory over.
func SpansFrom(list []Span) Spans {
	in := slices.DeleteFunc(list, Span.Empty)
	slices.SortFunc(in, func(a, b Span) int {
		if a.Start != b.Start {
			if a.Start < b.Start {
				return -1
			}
			return 1
		}
		return 0
	})
	if len(in) == 0 {
		return nil
	}
	out := Spans(in[:1]) // in place: it never gets ahead of in
	for _, s := range in[1:] {
		if last := &out[len(out)-1]; s.Start <= last.End() {
			last.Count = max(last.End(), s.End()) - last.Start
			continue
		}
		out = append(out, s)
	}
	return out
}

// Sectors returns how many sectors the set holds.
func (s Spans) Sectors() Sector {
	var n Sector
	for _, p := range s {
		n += p.Count
	}
	return n
}

// find returns the index of the first span that ends after x.
func (s Spans) find(x Sector) int {
	i, _ := slices.BinarySearchFunc(s, x, func(p Span, x Sector) int {
		if p.End() <= x {
			return -1
		}
		return 1
	})
	return i
}

// Holds tells whether sector x is in the set.
func (s Spans) Holds(x Sector) bool {
	i := s.find(x)
	return i < len(s) && s[i].Start <= x
}

// Within returns the part of the set that lies in w.
func (s Spans) Within(w Span) Spans {
	touched := s.touched(w)
	if len(touched) == 0 {
		return nil
	}
	out := make(Spans, 0, len(touched))
	for _, p := range touched {
		if c := p.Common(w); !c.Empty() {
			out = append(out, c)
		}
	}
	return out
}

// touched returns the spans of the set, as they are, that have a sector in w.
func (s Spans) touched(w Span) Spans {
	if w.Empty() {
		return nil
	}
	first, end := s.find(w.Start), s.find(w.End())
	if end < len(s) && s[end].Start < w.End() {
		end++
	}
	return s[first:max(first, end)]
}

// First returns the first part of the set that lies in w, whatever the length
// of the set; an empty span if there is none.
func (s Spans) First(w Span) Span {
	if i := s.find(w.Start); i < len(s) {
		return s[i].Common(w)
	}
	return Span{}
}

// Outside returns the sectors of w that are not in the set.
func (s Spans) Outside(w Span) Spans {
	touched := s.touched(w)
	if w.Empty() || len(touched) == 1 && touched[0].Covers(w) {
		return nil
	}
	out := make(Spans, 0, len(touched)+1)
	at := w.Start
	for _, p := range touched {
		if p.Start > at {
			out = append(out, Between(at, p.Start))
		}
		at = p.End()
	}
	if at < w.End() {
		out = append(out, Between(at, w.End()))
	}
	return out
}

// Add returns the set with the sectors of t as well. Adding in ascending
// order costs little; any order is right.
func (s Spans) Add(t Span) Spans {
	if t.Empty() {
		return s
	}
	if n := len(s); n == 0 || t.Start > s[n-1].End() {
		return append(s, t)
	} else if t.Start >= s[n-1].Start {
		s[n-1].Count = max(s[n-1].End(), t.End()) - s[n-1].Start
		return s
	}
	return SpansFrom(append(slices.Clone(s), t))
}

// Union returns the sectors that are in s or in t.
func (s Spans) Union(t Spans) Spans {
	return SpansFrom(slices.Concat(s, t))
}
