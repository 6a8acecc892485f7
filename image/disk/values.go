package disk

import (
	"slices"
	"sort"
)

// Values gives every sector of a disk one value, and stores only where the value
// changes: 16 bytes a change, whatever the size of the disk. The changes lie in
// chunks, so that one more among hundreds of thousands moves a few of them.
type Values[V comparable] struct {
	whole  Sector
	chunks [][]run[V] // none is empty
}

type run[V comparable] struct {
	start Sector
	value V
}

// mostRuns is how many runs one chunk holds before it becomes two: a few kB to move
// for a change in the middle. By hand, no source.
const mostRuns = 512

// NewValues gives every sector of a disk the zero value.
func NewValues[V comparable](whole Sector) *Values[V] {
	var zero V
	return &Values[V]{whole: whole, chunks: [][]run[V]{{{0, zero}}}}
}

// place is where a run lies: its chunk, and its number in it.
type place struct{ chunk, i int }

func (r *Values[V]) at(p place) run[V] { return r.chunks[p.chunk][p.i] }

// find returns the place of the run that holds sector x.
func (r *Values[V]) find(x Sector) place {
	c := max(0, sort.Search(len(r.chunks), func(i int) bool { return r.chunks[i][0].start > x })-1)
	in := r.chunks[c]
	return place{c, max(0, sort.Search(len(in), func(i int) bool { return in[i].start > x })-1)}
}

// after returns the place behind p.
func (r *Values[V]) after(p place) (place, bool) {
	if p.i++; p.i < len(r.chunks[p.chunk]) {
		return p, true
	}
	p = place{p.chunk + 1, 0}
	return p, p.chunk < len(r.chunks)
}

// before returns the place ahead of p.
func (r *Values[V]) before(p place) (place, bool) {
	if p.i > 0 {
		return place{p.chunk, p.i - 1}, true
	}
	if p.chunk == 0 {
		return p, false
	}
	return place{p.chunk - 1, len(r.chunks[p.chunk-1]) - 1}, true
}

// end returns the first sector after the run at p.
func (r *Values[V]) end(p place) Sector {
	if q, ok := r.after(p); ok {
		return r.at(q).start
	}
	return r.whole
}

// Get returns the value of a sector.
func (r *Values[V]) Get(x Sector) V { return r.at(r.find(x)).value }

// Set gives every sector of s the value v. What lies outside the disk is
// ignored.
func (r *Values[V]) Set(s Span, v V) {
	s = s.Common(Span{Count: r.whole})
	if s.Empty() {
		return
	}
	from, to := r.find(s.Start), r.find(s.Last())
	if from == to && r.at(from).value == v {
		return
	}
	rest, last := r.end(to), r.at(to).value
	var put [3]run[V]
	n := 0
	if r.at(from).start < s.Start {
		put[n] = r.at(from)
		n++
	} else if p, ok := r.before(from); ok && r.at(p).value == v {
		from = p
		put[n] = r.at(p)
		n++
	}
	if n == 0 || put[n-1].value != v {
		put[n] = run[V]{s.Start, v}
		n++
	}
	if s.End() < rest && last != v {
		put[n] = run[V]{s.End(), last}
		n++
	} else if q, ok := r.after(to); s.End() == rest && ok && r.at(q).value == v {
		to = q
	}
	r.replace(from, to, put[:n])
}

// replace puts runs, at least one, in place of those from one to another.
func (r *Values[V]) replace(from, to place, put []run[V]) {
	if from.chunk == to.chunk {
		r.chunks[from.chunk] = slices.Replace(r.chunks[from.chunk], from.i, to.i+1, put...)
	} else {
		r.chunks[from.chunk] = append(r.chunks[from.chunk][:from.i], put...)
		gone := to.chunk
		if rest := r.chunks[to.chunk][to.i+1:]; len(rest) > 0 {
			r.chunks[to.chunk] = rest
		} else {
			gone++
		}
		r.chunks = slices.Delete(r.chunks, from.chunk+1, gone)
	}
	if c := r.chunks[from.chunk]; len(c) > mostRuns {
		half := slices.Clone(c[len(c)/2:])
		r.chunks[from.chunk] = c[:len(c)/2]
		r.chunks = slices.Insert(r.chunks, from.chunk+1, half)
	}
}

// Each calls f for every run in w, in order, cut to w, until f says no.
func (r *Values[V]) Each(w Span, f func(Span, V) bool) {
	w = w.Common(Span{Count: r.whole})
	if w.Empty() {
		return
	}
	for p, ok := r.find(w.Start), true; ok && r.at(p).start < w.End(); p, ok = r.after(p) {
		if !f(Between(r.at(p).start, r.end(p)).Common(w), r.at(p).value) {
			return
		}
	}
}

// First returns the first run of value v in w.
func (r *Values[V]) First(w Span, v V) (Span, bool) {
	var out Span
	r.Each(w, func(s Span, have V) bool {
		if have == v {
			out = s
		}
		return have != v
	})
	return out, !out.Empty()
}

// Spans returns the sectors of w whose value is one of those given.
func (r *Values[V]) Spans(w Span, values ...V) Spans {
	var out Spans
	r.Each(w, func(s Span, have V) bool {
		if slices.Contains(values, have) {
			out = out.Add(s)
		}
		return true
	})
	return out
}
