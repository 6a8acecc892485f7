package compare

import (
	"math"
	"slices"

	"bootgraft/layout/rule/candidate"
)

// rounding tries values that are rounded to whole units and written in the
// smaller unit again: sectors in whole cylinders, bytes in whole clusters. Where
// nothing was rounded away on any disk, that is a question of the size which the
// device counts with: see Count.
func (f *fitter) rounding(found []scored, width float64, keep func(Formula, float64)) {
	g := int64(0)
	for _, v := range f.v[1:] {
		g = gcd(g, v-f.v[0])
	}
	bases := []ratio{{1, 1}, {f.bytes, 1}}
	known := map[ratio]bool{bases[0]: true, bases[1]: true}
	for _, h := range found {
		if r := (ratio{h.Of, h.Per}); !known[r] {
			bases, known[r] = append(bases, r), true
		}
	}
	for _, b := range bases {
		f.roundings(b, g, width, keep)
	}
	f.untold(keep)
}

// clusters are units in which the room behind an area is counted, in sectors.
var clusters = candidate.UnitSizes(candidate.Cluster)

// untold tries the sectors less an area in whole clusters, where all disks leave the
// same over: nothing tells it from the sectors less a fixed amount. Sectors in whole
// units, less nothing, are a question of the size which the device counts with.
func (f *fitter) untold(keep func(Formula, float64)) {
	away := f.v[0] - f.n[0]
	for i, v := range f.v {
		if v-f.n[i] != away || away == 0 || away == -1 {
			return
		}
	}
	for _, u := range clusters {
		if slices.ContainsFunc(f.n, func(n int64) bool { return n%u != f.n[0]%u }) {
			continue
		}
		if r, ok := f.solve(1, u, u, f.v[0]%u, len(f.n)); ok {
			keep(r, 0)
		}
	}
}

func (f *fitter) roundings(b ratio, g int64, width float64, keep func(Formula, float64)) {
	lo, hi := int64(math.MaxInt64), int64(math.MinInt64)
	for i, v := range f.v {
		if float64(v)*float64(b.per) > 1<<60 {
			return
		}
		d := v*b.per - f.n[i]*b.of
		lo, hi = min(lo, d), max(hi, d)
	}
	step, first := int64(1), int64(2)
	if b.per == 1 {
		step = b.of // bytes are rounded to whole sectors
	}
	if b.per > 1 {
		first = minRounding
	}
	if g%step != 0 || hi-lo < b.per || (hi-lo)/b.per/step >= maxRounding {
		return
	}
	for u := min(maxRounding, g/step); u >= max(first, (hi-lo)/b.per/step); u-- {
		times := u * step
		if g%times != 0 || hi-lo >= b.per*times {
			continue
		}
		r, ok := f.solve(b.of, b.per*times, times, f.v[0]%times, len(f.n))
		if !ok {
			continue
		}
		keep(r, f.roundedBits(r, u, b, width))
	}
}

// roundedBits is what a rounding predicts, less the choice of its unit.
func (f *fitter) roundedBits(r Formula, u int64, b ratio, width float64) float64 {
	choice := math.Log2(maxRounding) + 3
	if slices.Contains(rounded, u) {
		choice = math.Log2(float64(len(rounded))) + 3
	}
	if b.per > 1 {
		choice += math.Log2(maxUnits)
	}
	bits := f.solvedBits(r, 1, width) - choice
	if r.Plus == 0 && r.Min <= 0 && r.Max >= 0 {
		bits = max(bits, width*float64(len(f.n))-choice)
	}
	// An exact number of sectors is the simpler rule: a rounding counts for
	// itself only where something was rounded away.
	if b.per == 1 && f.exact(b) {
		bits = min(bits, 0)
	}
	return bits
}

// exact tells whether the values follow the ratio without any rounding.
func (f *fitter) exact(b ratio) bool {
	_, ok := f.solve(b.of, b.per, 1, 0, len(f.n))
	return ok
}
