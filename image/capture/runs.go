package capture

import (
	"slices"
	"sort"

	"bootgraft/layout"
)

// runs gives every sector of a disk one value, and stores only where the value
// changes: 16 bytes a change, whatever the size of the disk.
type runs[V comparable] struct {
	whole layout.Sector
	at    []run[V]
}

type run[V comparable] struct {
	start layout.Sector
	value V
}

func newRuns[V comparable](whole layout.Sector) *runs[V] {
	var zero V
	return &runs[V]{whole: whole, at: []run[V]{{0, zero}}}
}

// index returns which run holds sector x.
func (r *runs[V]) index(x layout.Sector) int {
	return sort.Search(len(r.at), func(i int) bool { return r.at[i].start > x }) - 1
}

// end returns the first sector after run i.
func (r *runs[V]) end(i int) layout.Sector {
	if i+1 < len(r.at) {
		return r.at[i+1].start
	}
	return r.whole
}

func (r *runs[V]) get(x layout.Sector) V { return r.at[r.index(x)].value }

// set gives every sector of s the value v. What lies outside the disk is
// ignored.
func (r *runs[V]) set(s layout.Span, v V) {
	s = s.Common(layout.Span{Count: r.whole})
	if s.Empty() {
		return
	}
	i, j := r.index(s.Start), r.index(s.Last())
	after, last := r.end(j), r.at[j].value
	var put [3]run[V]
	n := 0
	if r.at[i].start < s.Start {
		put[n] = r.at[i]
		n++
	} else if i > 0 && r.at[i-1].value == v {
		i--
		put[n] = r.at[i]
		n++
	}
	if n == 0 || put[n-1].value != v {
		put[n] = run[V]{s.Start, v}
		n++
	}
	if s.End() < after && last != v {
		put[n] = run[V]{s.End(), last}
		n++
	} else if s.End() == after && j+1 < len(r.at) && r.at[j+1].value == v {
		j++
	}
	r.at = slices.Replace(r.at, i, j+1, put[:n]...)
}

// each calls f for every run in w, in order, cut to w, until f says no.
func (r *runs[V]) each(w layout.Span, f func(layout.Span, V) bool) {
	w = w.Common(layout.Span{Count: r.whole})
	if w.Empty() {
		return
	}
	for i := r.index(w.Start); i < len(r.at) && r.at[i].start < w.End(); i++ {
		if !f(layout.Between(r.at[i].start, r.end(i)).Common(w), r.at[i].value) {
			return
		}
	}
}

// next returns the first run of value v in w.
func (r *runs[V]) next(w layout.Span, v V) (layout.Span, bool) {
	var out layout.Span
	r.each(w, func(s layout.Span, have V) bool {
		if have == v {
			out = s
		}
		return have != v
	})
	return out, !out.Empty()
}

// spans returns the sectors of w whose value is one of those given.
func (r *runs[V]) spans(w layout.Span, values ...V) layout.Spans {
	var out layout.Spans
	r.each(w, func(s layout.Span, have V) bool {
		if slices.Contains(values, have) {
			out = out.Add(s)
		}
		return true
	})
	return out
}
