package compare

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// A number in the boot area of several disks is fitted as
// times*floor((of*N+add)/per)+plus. The ratio of:per comes from a list of
// named units, or is 1:per with any whole number that the values allow. Add
// is solved: what the values leave of it is an interval, and all of it is
// kept. Values rounded back to whole units are fitted with every unit that
// divides all their differences.

// most whole units, and most formulas, that the values may leave open. Values
// with too few digits leave more; then nothing can be decided.
const (
	maxUnits    = 4096
	maxFormulas = 64
	maxRounding = 65536
	minRounding = 16 // of values already divided
	// A number much larger than its differences is one with a neighbour's bytes
	// in front of it.
	maxOffset = 4096
)

// rounded are the units to which sizes are usually rounded, in sectors.
var rounded = candidate.UnitSizes(candidate.Rounding)

type ratio struct{ of, per int64 }

// ratios returns the named units of a disk with sectors of size bytes.
func ratios(size int64) []ratio {
	out := []ratio{{1, 1}}
	add := func(of, per int64) {
		g := gcd(of, per)
		if r := (ratio{of / g, per / g}); !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	for _, unit := range []int64{1, 1 << 10, 1 << 20, 1 << 30, 1000, 1e6, 1e9} {
		add(size, unit)
	}
	for _, u := range rounded {
		add(1, u)
	}
	return out
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return max(a, -a)
}

// fitter fits values that were read from disks of known sizes, as a device
// counts them.
type fitter struct {
	count Count
	named []ratio
	first int            // of these are half of all numbers
	units map[int64]bool // of which named holds one in so many sectors
	bytes int64
	n     []int64 // the different sizes, ascending
	dumps [][]int // which disks have each
	v     []int64 // scratch: the value at each size
}

func newFitter(sizes []int64, sectorSize int64, count Count) *fitter {
	f := &fitter{count: count, named: ratios(sectorSize), bytes: sectorSize}
	counted := slices.Clone(sizes)
	for i, n := range sizes {
		counted[i] = int64(count.Of(disk.Sector(n)))
	}
	f.n = slices.Clone(counted)
	slices.Sort(f.n)
	f.n = slices.Compact(f.n)
	f.dumps = make([][]int, len(f.n))
	for i, s := range counted {
		at, _ := slices.BinarySearch(f.n, s)
		f.dumps[at] = append(f.dumps[at], i)
	}
	f.v = make([]int64, len(f.n))
	f.units = map[int64]bool{}
	for _, r := range f.named {
		if r.of == 1 {
			f.units[r.per] = true
		}
	}
	return f
}

// again returns the fitter with room of its own for the values: several may fit at once.
func (f *fitter) again() *fitter {
	out := *f
	out.v = make([]int64, len(f.n))
	return &out
}

// fitted is everything that fits one number.
type fitted struct {
	formulas  []Formula // the best first
	bits      float64   // predicted, less the choice of formula
	wide      bool      // more formulas fit than were kept: nothing is decided
	unseen    bool      // a disk that is left out is not predicted by the rest
	absurd    bool      // it adds or takes away more than the largest disk: a checksum over a number may
	constants int       // of the best formula: numbers that were made up to fit the values
	madeUp    bool      // the best formula has as many constants of its own as there are sizes
}

// fit returns the formulas for the values, one of each disk, or nil. cover is
// how many bytes of the number differ between the disks.
func (f *fitter) fit(values []uint64, cover int) *fitted {
	if !f.take(values) {
		return nil
	}
	last := len(f.n) - 1
	width := f.width(cover)
	out := &fitted{}
	var found []scored
	keep := func(g Formula, bits float64) { found = append(found, scored{g, bits}) }
	most := f.slopes(width, keep)
	f.rounding(found, width, keep)
	if len(found) == 0 {
		return nil
	}
	slices.SortStableFunc(found, func(a, b scored) int { return cmp.Compare(b.bits, a.bits) })
	best := found[0]
	out.bits = best.bits
	out.wide = best.bits-most < bar
	for _, s := range found {
		if !s.sameUnit(best.Formula) && best.bits-s.bits >= bar {
			continue // as unlikely as what is called proved is likely
		}
		if len(out.formulas) == maxFormulas {
			out.wide = true
			break
		}
		s.Formula.Count = f.count
		out.formulas = append(out.formulas, s.Formula)
	}
	out.unseen = !f.leaveOut(best.Formula)
	out.constants = best.constants(f.named)
	out.madeUp = out.constants >= len(f.n)
	out.absurd = best.simplest()/best.Of > f.n[last] || -best.simplest()/best.Of > f.n[last] ||
		best.Plus/best.Times > f.v[last]
	return out
}

// scored is a formula and what it predicted.
type scored struct {
	Formula
	bits float64
}

// sameUnit tells whether two formulas differ in what is added alone, or in a
// rounding that one of them has.
func (f Formula) sameUnit(g Formula) bool { return f.Of*f.Times*g.Per == g.Of*g.Times*f.Per }

// take puts one value a size into f.v: a number that follows the size is the
// same on disks of one size, never shrinks with it, and is no constant.
func (f *fitter) take(values []uint64) bool {
	for i, same := range f.dumps {
		v := values[same[0]]
		if v >= 1<<56 || i > 0 && int64(v) < f.v[i-1] {
			return false
		}
		for _, d := range same[1:] {
			if values[d] != v {
				return false
			}
		}
		f.v[i] = int64(v)
	}
	spread := f.v[len(f.v)-1] - f.v[0]
	return spread > 0 && f.v[0]/maxOffset <= spread
}

// width returns how many bits a number has of which so many bytes differ. Whole bytes of the
// lowest worth that are the same in all values do not count: a formula that predicts bytes
// which no disk changes has predicted nothing.
func (f *fitter) width(cover int) float64 {
	var changes int64
	for _, v := range f.v {
		changes |= v ^ f.v[0]
	}
	still := bits.TrailingZeros64(uint64(changes)) / 8 * 8
	return min(float64(8*cover), math.Log2(float64((f.v[len(f.v)-1]-f.v[0])>>still)+1))
}

// slopes tries named units and every whole unit that the values allow. If
// these are too many to try it returns the most that one could have predicted.
func (f *fitter) slopes(width float64, keep func(Formula, float64)) (untried float64) {
	last := len(f.n) - 1
	dn, dv := f.n[last]-f.n[0], f.v[last]-f.v[0]
	for i, r := range f.named {
		if g, ok := f.solve(r.of, r.per, 1, 0, last+1); ok {
			keep(g, f.namedBits(g, width, i))
		}
	}
	from := dn/(dv+1) + 1
	to := int64(math.MaxInt64)
	if dv > 1 {
		to = (dn - 1) / (dv - 1)
	}
	if dn < dv || from > to {
		return math.Inf(-1)
	}
	if to-from >= maxUnits {
		return width * float64(last)
	}
	choice := cost(float64(to-from+1)) + 2
	for per := from; per <= to; per++ {
		if f.units[per] {
			continue
		}
		if g, ok := f.solve(1, per, 1, 0, last+1); ok {
			bits := f.solvedBits(g, 2, width)
			if simple(g) {
				bits = max(bits, width*float64(last)-cost(simples))
			}
			keep(g, bits-choice)
		}
	}
	return math.Inf(-1)
}

// simple tells whether nothing had to be solved: N or the last sector, in
// whole or begun units, or up to two units more or less.
func simple(g Formula) bool {
	_, ok := g.simple()
	return ok && g.Plus == 0
}

// simples is how many amounts (Formula).simple knows.
const simples = 7

// solve returns the band that fits the first count sizes, if there is one.
func (f *fitter) solve(of, per, times, plus int64, count int) (Formula, bool) {
	g := Formula{Times: times, Of: of, Per: per, Min: math.MinInt64, Max: math.MaxInt64, Plus: plus}
	for i := range count {
		if float64((f.v[i]-plus)/times)*float64(per) > 1<<60 || float64(f.n[i])*float64(of) > 1<<60 {
			return g, false
		}
		if f.narrow(&g, i); g.Min > g.Max {
			return g, false
		}
	}
	return g, true
}

// narrow leaves of a band what fits the i-th size.
func (f *fitter) narrow(g *Formula, i int) {
	add := (f.v[i]-g.Plus)/g.Times*g.Per - f.n[i]*g.Of
	g.Min, g.Max = max(g.Min, add), min(g.Max, add+g.Per-1)
}

// namedBits is what the i-th named unit predicts: every disk if nothing in it was
// solved, else every disk but the first.
func (f *fitter) namedBits(g Formula, width float64, i int) float64 {
	choice := cost(float64(len(f.named))) + 2
	if i < f.first {
		choice = cost(float64(f.first)) + 1
	}
	bits := f.solvedBits(g, 1, width) - choice
	if simple(g) {
		bits = max(bits, width*float64(len(f.n))-choice-cost(simples))
	}
	return bits
}

// solvedBits adds up what the disks from the given one on were predicted to
// hold by those before them, each of width bits.
func (f *fitter) solvedBits(g Formula, from int, width float64) float64 {
	bits := 0.0
	for i := from; i < len(f.n); i++ {
		before, ok := f.solve(g.Of, g.Per, g.Times, g.Plus, i)
		if !ok {
			return 0
		}
		lo, ok1 := before.one(f.n[i], before.Min)
		hi, ok2 := before.one(f.n[i], before.Max)
		if !ok1 || !ok2 {
			return 0
		}
		bits += max(0, width-math.Log2(float64((hi-lo)/g.Times+1)))
	}
	return bits
}

// leaveOut tells whether each disk is predicted by the others: at least one
// size must remain for every number that was solved.
func (f *fitter) leaveOut(g Formula) bool {
	for i := range f.n {
		rest := g
		rest.Min, rest.Max = math.MinInt64, math.MaxInt64
		for j := range f.n {
			if j != i {
				f.narrow(&rest, j)
			}
		}
		if rest.Min == math.MinInt64 {
			return false
		}
		lo, ok1 := rest.one(f.n[i], rest.Min)
		hi, ok2 := rest.one(f.n[i], rest.Max)
		if !ok1 || !ok2 || f.v[i] < lo || f.v[i] > hi {
			return false
		}
	}
	return true
}

// constants returns how many numbers of the formula were made up to fit the
// values: those that are neither usual nor without need.
func (f Formula) constants(ratios []ratio) (n int) {
	if _, ok := f.simple(); !ok {
		n++
	}
	if f.Plus != 0 {
		n++
	}
	if g := gcd(f.Times*f.Of, f.Per); !slices.Contains(ratios, ratio{f.Times * f.Of / g, f.Per / g}) {
		n++
	}
	return n
}
