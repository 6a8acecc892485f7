package sound

import "math"

// edgeReach is how far beyond the blocks of a run its edges are looked for, in bytes.
const edgeReach = blockBytes

// edges returns the first and the last byte of a run, by what each stretch of a few
// sectors says for and against its reading.
func (f *finder) edges(o *open, limit int64) (start, end int64, err error) {
	floor := max(o.floor, f.end)
	for from, to := o.start, min(o.start+2*edgeReach, o.end); ; to = from + edgeReach {
		from = max(floor, from-edgeReach)
		if start, err = f.edge(o, from, to, true); err != nil {
			return 0, 0, err
		}
		// Where all that was looked at is of the run, it may begin still earlier: quiet blocks
		// do not open one.
		if start > from || from == floor {
			break
		}
	}
	end, err = f.edge(o, max(o.end-2*edgeReach, start), min(o.end+edgeReach, limit), false)
	return start, end, err
}

// unitBytes is what is judged at once near an edge: whole sectors with at least 24 frames.
func (r reading) unitBytes(sector int64) int64 {
	return (max(1024, 24*r.Frame()) + sector - 1) / sector * sector
}

// edge looks for the edge of a run between from and to, of which the run holds the upper
// part or the lower one. Blank at the edge does not belong to it.
func (f *finder) edge(o *open, from, to int64, upper bool) (int64, error) {
	size := int64(f.src.SectorSize())
	unit := o.unitBytes(size)
	from = from / size * size
	n := int((to - from) / unit)
	if n < 1 {
		if upper {
			return from, nil
		}
		return to / size * size, nil
	}
	buf := make([]byte, unit)
	// The edge lies where the sum of all that speaks for the run beyond it is largest.
	best, sum, bestSum := -1, 0.0, math.Inf(-1)
	for i := range n {
		k := i
		if upper {
			k = n - 1 - i
		}
		at := from + int64(k)*unit
		b, err := f.read(buf, at)
		if err != nil {
			return 0, err
		}
		if b == nil || constant(b) {
			continue
		}
		gain := nullBits(b) - o.cost(&f.judge.work, b, at)
		if gain > 0 {
			gain = f.judge.worth(o.reading, gain)
		}
		sum += gain - o.usual/4*float64(unit)
		if sum > bestSum {
			best, bestSum = k, sum
		}
	}
	if best < 0 {
		best = n - 1
		if upper {
			best = 0
		}
	}
	edge := from + int64(best)*unit
	if !upper {
		edge += unit
	}
	return f.sharpen(o, edge, max(from, edge-unit), min(to, edge+unit), upper)
}

// worth returns what a gain is worth for the samples that were costed last: nothing where
// hardly one of them moves, the contrary where their steps are the same far more often than in
// sound, or all go one way.
func (j *judge) worth(r reading, gain float64) float64 {
	var m movement
	var all moving
	moved := 0.0
	for c := range r.Channels {
		m.collide(j.x, c, r.Channels, &j.lanes[c])
		moved = max(moved, float64(j.lanes[c].moved)/float64(max(1, j.lanes[c].n)))
		all.ways += m.lanes[c].ways
		all.up += m.lanes[c].up
	}
	switch {
	case m.peaked() || all.ways > 60 && math.Abs(all.up-all.ways/2) > 0.47*all.ways:
		return -gain
	case moved < 0.25:
		return 0
	}
	return gain
}

// sharpen finds the byte of an edge near the unit that was found: first among edges of
// sectors, then, where that says clearly more, among samples.
func (f *finder) sharpen(o *open, edge, from, to int64, upper bool) (int64, error) {
	size := int64(f.src.SectorSize())
	to = to / size * size
	if to-from < 2*size {
		return edge, nil
	}
	b, err := f.read(make([]byte, to-from), from)
	if err != nil || b == nil {
		return edge, err
	}
	// Blank sectors at the edge are not of the run.
	lo, hi := int64(0), int64(len(b))
	for upper && lo+size < hi && constant(b[lo:lo+size]) {
		lo += size
	}
	for !upper && hi-size > lo && constant(b[hi-size:hi]) {
		hi -= size
	}
	at := func(cut int64) float64 {
		if upper {
			return f.split(o, b[lo:cut], b[cut:], from+cut)
		}
		return f.split(o, b[cut:hi], b[:cut], from)
	}
	best, bits := edge-from, math.Inf(1)
	for cut := lo; cut <= hi; cut += size {
		if c := at(cut); c < bits {
			best, bits = cut, c
		}
	}
	const clearly = 40
	near, step := best, int64(o.Width)
	for cut := max(lo, near-size) + mod(o.phase-from-max(lo, near-size), step); cut <= min(hi, near+size); cut += step {
		if c := at(cut) + clearly; c < bits {
			best, bits = cut, c-clearly
		}
	}
	return from + best, nil
}

// split returns the bits of bytes that are not of the run and of bytes that are.
func (f *finder) split(o *open, out, in []byte, at int64) float64 {
	bits := 0.0
	if len(out) > 0 {
		bits = nullBits(out)
	}
	if len(in) > 0 {
		// Words count from byte 0 of the disk: what stands before a whole one is left to the null code.
		lead := min(mod(-at, 4), int64(len(in)))
		bits += 8*float64(lead) + o.cost(&f.judge.work, in[lead:], at+lead)
	}
	return bits
}

func mod(a, n int64) int64 { return ((a % n) + n) % n }
