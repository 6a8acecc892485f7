package capture

import (
	"slices"
	"sort"

	"bootgraft/image/disk"
)

// runs gives every sector of a disk one value, and stores only where the value
// changes: 16 bytes a change, whatever the size of the disk. The changes lie in
// chunks, so that one more among hundreds of thousands moves a few of them.
type runs[V comparable] struct {
	whole  disk.Sector
	chunks [][]run[V] // none is empty
}

type run[V comparable] struct {
	start disk.Sector
	value V
}

// mostRuns is how many runs one chunk holds before it becomes two: a few kB to move
// for a change in the middle. By hand, no source.
const mostRuns = 512

func newRuns[V comparable](whole disk.Sector) *runs[V] {
	var zero V
	return &runs[V]{whole: whole, chunks: [][]run[V]{{{0, zero}}}}
}

// place is where a run lies: its chunk, and its number in it.
type place struct{ chunk, i int }

func (r *runs[V]) at(p place) run[V] { return r.chunks[p.chunk][p.i] }

// find returns the place of the run that holds sector x.
func (r *runs[V]) find(x disk.Sector) place {
	c := max(0, sort.Search(len(r.chunks), func(i int) bool { return r.chunks[i][0].start > x })-1)
	in := r.chunks[c]
	return place{c, max(0, sort.Search(len(in), func(i int) bool { return in[i].start > x })-1)}
}

// after returns the place behind p.
func (r *runs[V]) after(p place) (place, bool) {
	if p.i++; p.i < len(r.chunks[p.chunk]) {
		return p, true
	}
	p = place{p.chunk + 1, 0}
	return p, p.chunk < len(r.chunks)
}

// before returns the place ahead of p.
func (r *runs[V]) before(p place) (place, bool) {
	if p.i > 0 {
		return place{p.chunk, p.i - 1}, true
	}
	if p.chunk == 0 {
		return p, false
	}
	return place{p.chunk - 1, len(r.chunks[p.chunk-1]) - 1}, true
}

// end returns the first sector after the run at p.
func (r *runs[V]) end(p place) disk.Sector {
	if q, ok := r.after(p); ok {
		return r.at(q).start
	}
	return r.whole
}

func (r *runs[V]) get(x disk.Sector) V { return r.at(r.find(x)).value }

// set gives every sector of s the value v. What lies outside the disk is
// ignored.
func (r *runs[V]) set(s disk.Span, v V) {
	s = s.Common(disk.Span{Count: r.whole})
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
func (r *runs[V]) replace(from, to place, put []run[V]) {
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

// each calls f for every run in w, in order, cut to w, until f says no.
func (r *runs[V]) each(w disk.Span, f func(disk.Span, V) bool) {
	w = w.Common(disk.Span{Count: r.whole})
	if w.Empty() {
		return
	}
	for p, ok := r.find(w.Start), true; ok && r.at(p).start < w.End(); p, ok = r.after(p) {
		if !f(disk.Between(r.at(p).start, r.end(p)).Common(w), r.at(p).value) {
			return
		}
	}
}

// next returns the first run of value v in w.
func (r *runs[V]) next(w disk.Span, v V) (disk.Span, bool) {
	var out disk.Span
	r.each(w, func(s disk.Span, have V) bool {
		if have == v {
			out = s
		}
		return have != v
	})
	return out, !out.Empty()
}

// spans returns the sectors of w whose value is one of those given.
func (r *runs[V]) spans(w disk.Span, values ...V) disk.Spans {
	var out disk.Spans
	r.each(w, func(s disk.Span, have V) bool {
		if slices.Contains(values, have) {
			out = out.Add(s)
		}
		return true
	})
	return out
}
