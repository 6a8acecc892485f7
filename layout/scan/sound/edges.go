package sound

import (
	"bytes"
	"math"
)

// How far beyond the blocks of a run its edges are looked for, in bytes, and what of that is
// looked at as one.
const (
	edgeReach  = blockBytes
	movedBytes = blockBytes / 4 // what has to move as sound does
)

// edges returns the first and the last byte of a run, by what each stretch of a few
// sectors says for and against its reading.
func (f *finder) edges(o *open, limit int64) (start, end int64, err error) {
	if start, err = f.startOf(o); err != nil {
		return 0, 0, err
	}
	if start += mod(o.phase-start, int64(o.Width)); start >= limit {
		return start, start, nil
	}
	for from, to := max(o.end-2*edgeReach, start), min(o.end+edgeReach, limit); ; {
		if end, err = f.edge(o, from, to, false); err != nil {
			return 0, 0, err
		}
		// Where nothing of what was looked at is of the run, it ends still earlier.
		if end > from+2*o.unitBytes(int64(f.src.SectorSize())) || from == start {
			break
		}
		from, to = max(start, from-2*edgeReach), end
	}
	if start, end, err = f.withoutPictures(o.reading, start, max(start, end)); err != nil {
		return 0, 0, err
	}
	end, err = f.withoutBlank(start, end)
	return start, min(limit, start+(end-start+o.Frame()-1)/o.Frame()*o.Frame()), err
}

// startOf returns the first byte of a run.
func (f *finder) startOf(o *open) (start int64, err error) {
	floor := max(o.floor, f.end)
	inward, outward := false, false // it is looked for in one direction, or this might not end
	for from, to := max(floor, o.start-edgeReach), min(o.start+2*edgeReach, o.end); ; {
		if start, err = f.edge(o, from, to, true); err != nil {
			return 0, err
		}
		switch {
		case !outward && start+2*o.unitBytes(int64(f.src.SectorSize())) >= to && to < o.end: // it begins later
			inward = true
			from, to = start, min(to+2*edgeReach, o.end)
			continue
		case inward || start > from || from >= o.start:
			return start, nil
		}
		outward = true
		// Where all that was looked at is of the run, it may begin still earlier: quiet blocks
		// do not open one. But they move as sound does.
		start, err = f.unmoved(o.reading, from, min(from+edgeReach, o.start))
		if err != nil || start > from || from == floor {
			return start, err
		}
		from, to = max(floor, from-edgeReach), from+edgeReach
	}
}

// unmoved returns the end of what does not move as sound does at the start of a stretch.
func (f *finder) unmoved(r reading, from, to int64) (int64, error) {
	for ; from+movedBytes <= to; from += movedBytes {
		b, err := f.read(make([]byte, movedBytes), from)
		if err != nil || b == nil || f.judge.moves(r, b, from) {
			return from, err
		}
	}
	return from, nil
}

// withoutBlank returns the end of a run without zeros in its last sector.
func (f *finder) withoutBlank(start, end int64) (int64, error) {
	n := min(int64(f.src.SectorSize()), end-start)
	b, err := f.read(make([]byte, n), end-n)
	return end - int64(len(b)-len(bytes.TrimRight(b, "\x00"))), err
}

// unitBytes is what is judged at once near an edge: whole sectors with at least 24 frames.
func (r reading) unitBytes(sector int64) int64 {
	return (max(1024, 24*r.Frame()) + sector - 1) / sector * sector
}

// unit is a stretch near an edge of a run.
type unit struct {
	at          int64
	bytes       []byte  // nil where they are missing or of one byte alone
	cost, rival float64 // bits under the reading of the run, and under another one
	says        float64 // how many bits speak for it being of the run
}

// edge looks for the edge of a run between from and to, of which the run holds the upper
// part or the lower one. Blank at the edge does not belong to it.
func (f *finder) edge(o *open, from, to int64, upper bool) (int64, error) {
	size := int64(f.src.SectorSize())
	long := o.unitBytes(size)
	from = from / size * size
	n := int((to - from) / long)
	if n < 1 {
		if upper {
			return from, nil
		}
		return to / size * size, nil
	}
	units := make([]unit, n) // from the inside of the run to the outside
	for i := range units {
		u := &units[i]
		u.at = from + int64(i)*long
		if upper {
			u.at = from + int64(n-1-i)*long
		}
		b, err := f.read(make([]byte, long), u.at)
		if err != nil {
			return 0, err
		}
		f.judge.measure(u, o, b)
	}
	edge := units[f.judge.outermost(o.reading, units)].at
	if !upper {
		edge += long
	}
	return f.sharpen(o, edge, max(from, edge-long), min(to, edge+long), upper)
}

// measure works out what a unit whose bytes are b says for the run.
func (j *judge) measure(u *unit, o *open, b []byte) {
	switch {
	case b == nil:
		return
	case constant(b):
		// What lies behind blank has to say more than a little.
		u.says = -o.usual / 16 * float64(len(b))
		return
	}
	u.bytes, u.cost = b, o.cost(&j.work, b, u.at)
	gain := nullBits(b) - u.cost
	if gain > 0 {
		gain = j.worth(o.reading, gain)
	}
	u.says = gain - o.usual/4*float64(len(b))
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
	// Of 60 steps of sound about half go up; with only 3 in 100 going the other way it is a ramp or a
	// table of addresses: by hand, no source.
	case m.peaked() || all.ways > 60 && math.Abs(all.up-all.ways/2) > 0.47*all.ways:
		return -gain
	case moved < 0.25: // silence and flat areas say nothing of where sound ends
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
	// Samples are tried far apart first.
	const clearly = 40
	for _, step := range []int64{16 * int64(o.Width), int64(o.Width)} {
		reach := min(size, 32*step)
		near := max(lo, best-reach)
		for cut := near + mod(o.phase-from-near, int64(o.Width)); cut <= min(hi, best+reach); cut += step {
			if c := at(cut) + clearly; c < bits {
				best, bits = cut, c-clearly
			}
		}
	}
	for upper && best+size < hi && constant(b[best:best+size]) {
		best += size
	}
	for !upper && best-size > lo && constant(b[best-size:best]) {
		best -= size
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
