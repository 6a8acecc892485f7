package compare

import (
	"cmp"
	"math"
	"slices"

	"bootgraft/layout/rule/candidate"
)

// Where the originals leave several formulas, what devices usually write says which
// is tried first. The shares here are chosen by hand, no source: of all numbers about
// the size of a disk, how many are of one kind. Nothing is proved by them, and
// nothing that fits the originals is left out because of them.
const (
	countsAll      = 0.5  // counts the sectors themselves
	countsCylinder = 0.25 // cuts to cylinders: mostly of 16 or of 255 heads, which drives and bridges show
	countsMost     = 0.02 // counts no more than a wall
	countsBlock    = 0.01 // cuts to whole blocks

	addsNothing = 0.5 // of numbers of a ratio: counts all
	roundedOff  = 0.3 // of numbers: is rounded to whole units, but counts less
	roundedDown = 0.6 // of these: and nothing else
	bySelf      = 0.1 // of numbers: counts other cylinders than the rest of the device

	notSaid = 1. / 1024 // of devices that count with a size: a number that nothing of that size explains
)

// share returns the share of all devices that count with c.
func (c Count) share() float64 {
	switch {
	case c.Most > 0:
		return countsMost
	case c.Whole <= 1:
		return countsAll
	case c.Whole == 1008:
		return countsCylinder * 0.4
	case c.Whole == 16065:
		return countsCylinder * 0.3
	case isCylinder(c.Whole):
		return countsCylinder * 0.3 / float64(len(cylinders)-2)
	}
	return countsBlock / float64(len(blocks))
}

// amounts returns the share of all amounts that a device takes away which lie from
// lo to hi sectors: small ones and round ones are more usual.
func amounts(lo, hi int64) float64 {
	const powers, most = 13, 20 // amounts are whole multiples of 1 to 2^12, below 2^20 of them
	lo = max(lo, 1)
	sum := 0.0
	for k := range powers {
		a, b := (lo+1<<k-1)>>k, hi>>k
		if a <= b {
			sum += math.Log2(float64(b+1) / float64(a))
		}
	}
	return sum / (powers * most)
}

// usual says how usual numbers are on the disks of a device.
type usual struct {
	count      Count // with which it counts
	sectorSize int64
	known      []int64 // sectors that one of its numbers takes away and nothing else
	part       int64   // of these, what no number has without: it may count the rest alone; 0: none
}

// usual returns that for a device that counts with c, as its numbers beside the one at a
// place say it.
func (r *Rules) usual(c Count, at candidate.Place) *usual {
	u := &usual{count: c, sectorSize: int64(r.SectorSize)}
	whole := false
	for i := range r.Fields {
		g := r.Fields[i].Ways[0].Formulas[0]
		away := -g.Min / g.Of
		switch {
		case r.Fields[i].On != nil || r.Fields[i].Place == at || !g.saysSectors() || away > mostPart:
		case away <= 1:
			whole = true
		case !slices.Contains(u.known, away):
			u.known = append(u.known, away)
		}
	}
	if len(u.known) > 0 && !whole {
		u.part = slices.Min(u.known)
	}
	return u
}

// mostPart is the largest part that is known for one, in sectors: more has no disk.
const mostPart = 1 << 40

// saysSectors tells whether the formula says sectors, or bytes of sectors, less as many.
func (f Formula) saysSectors() bool {
	return f.Times == 1 && f.Per == 1 && f.Min == f.Max && f.Min <= 0 && f.Min%f.Of == 0 && f.Plus == 0
}

// shown tells whether drives and bridges themselves tell how many tracks or cylinders
// of that size they have.
func shown(unit int64) bool { return unit == 63 || unit == 1008 || unit == 16065 }

// ratio returns the share of all numbers that count of/per of the sectors of a disk.
func (u *usual) ratio(of, per int64) float64 {
	is := func(unit int64) bool { return of*unit == per*u.sectorSize }
	switch {
	case of == per:
		return 1
	case is(1) || is(1<<10) || is(1<<20) || is(1e6):
		return 0.25
	case is(1000) || is(1e9) || is(1<<30):
		return 0.05
	case of == 1 && per == u.count.Whole:
		return 0.3
	case of == 1 && shown(per): // a drive tells its cylinders beside its sectors
		return 0.1
	case of == 1 && isCylinder(per): // a device that makes cylinders of its own counts with them
		return 0.01
	case of == 1 && slices.Contains(rounded, per):
		return 0.08
	case of == 1:
		return 0.05 / float64(per)
	}
	return 1e-6
}

// countsRest is the share of devices that count less than all sectors, of those whose
// numbers do not show that they count all: the size less a fixed part is what all of
// their numbers are about.
const countsRest = 0.4

// added returns the share of all numbers of a ratio to which an amount from lo to hi,
// in units of 1/of sector, is added before the division.
func (u *usual) added(of, per, lo, hi int64) float64 {
	if u.part == 0 {
		return u.addedTo(of, per, lo, hi)
	}
	away := u.part * of
	return (1-countsRest)*u.addedTo(of, per, lo, hi) + countsRest*u.addedTo(of, per, lo+away, hi+away)
}

// addedTo is added for a device that counts the sectors of its disk.
func (u *usual) addedTo(of, per, lo, hi int64) (sum float64) {
	put := func(add int64, share float64) {
		if lo <= add && add <= hi {
			sum += share
		}
	}
	put(0, addsNothing)
	put(-of, map[bool]float64{true: 0.2, false: 0.04}[per == 1])
	switch {
	case isCylinder(per): // none is ever begun
		put(per-1, 0.01)
		put(-per, 0.05)
	case per > 1:
		put(per-1, 0.14)
		put(per, 0.05)
		put(2*per, 0.05)
		put(-per, 0.05)
		put(-2*per, 0.002)
	case of > 1:
		put(-1, 0.05)
	}
	part := 0.12
	if per == 1 {
		part = 0.25
	}
	if lo < 0 {
		sum += part * amounts(-min(hi, -1)/of, -lo/of)
	}
	for _, a := range u.known { // numbers of one device mostly take away the same
		put(-a*of, part/2)
	}
	if hi > 0 {
		sum += part / 10 * amounts(max(lo, 1)/of, hi/of)
	}
	return sum
}

// rarest is the share of numbers that no device is known to write: more than none, for
// some formula is the one.
const rarest = 1e-30

// of returns the share of all numbers that the band has.
func (u *usual) of(f Formula) float64 {
	share := 0.0
	switch {
	case f.Times == 1:
		share = u.plain(f)
	case f.Per >= f.Times:
		share = u.rounded(f)
	}
	return min(1, max(rarest, share))
}

// plain is of for a number that is not rounded to whole units.
func (u *usual) plain(f Formula) float64 {
	g := gcd(f.Of, f.Per)
	share := u.ratio(f.Of/g, f.Per/g) * u.added(f.Of, f.Per, f.Min, f.Max)
	if f.Plus != 0 {
		share *= plusShare(f.Plus)
	}
	return share
}

// rounded is of for a number that is rounded to whole units of Times.
func (u *usual) rounded(f Formula) float64 {
	g := gcd(f.Of, f.Per/f.Times)
	unit := f.Times // in what the number counts
	if f.Per == f.Times && f.Of > 1 {
		unit /= f.Of // bytes are rounded to whole sectors
	}
	sum := 0.0
	if f.Min <= 0 && f.Max >= 0 {
		sum = roundedDown
	}
	if f.Min <= f.Per-1 && f.Max >= f.Per-1 {
		sum += 0.1
	}
	if f.Min < 0 {
		sum += 0.3 * amounts(-min(f.Max, -1)/f.Of, -f.Min/f.Of)
	}
	if f.Plus != 0 {
		sum *= plusShare(f.Plus)
	}
	return roundedOff * u.ratio(f.Of/g, f.Per/f.Times/g) * unitShare(unit) * sum
}

// plusShare returns the share of numbers to which an amount is added after all.
func plusShare(plus int64) float64 {
	plus = max(plus, -plus)
	return amounts(plus, plus) / 10
}

// unitShare returns the share that a unit has of all to which numbers are rounded.
func unitShare(unit int64) float64 {
	if slices.Contains(rounded, unit) || isCylinder(unit) {
		return 1 / float64(len(rounded)+len(cylinders))
	}
	return 0.1 / float64(max(1, unit)) / float64(len(rounded))
}

// evidence returns the share of all devices that count with c and have numbers like
// these, each by any of its formulas: how likely c is, beside the other counts.
func (r *Rules) evidence(c Count) float64 {
	share := math.Log2(c.share())
	for i := range r.Fields {
		f := &r.Fields[i]
		if f.On != nil || f.Weak() {
			continue
		}
		sum, u := 0.0, r.usual(c, f.Place)
		for _, x := range r.in(c, f, 0) {
			if x.way > 0 {
				continue
			}
			share := u.of(x.Formula)
			if x.Count != c {
				share *= notSaid
			}
			sum += share
		}
		share += math.Log2(max(sum, math.SmallestNonzeroFloat64))
	}
	return share
}

// rank puts the sizes that the device may count with in the order in which they are
// likely.
func (r *Rules) rank() {
	of := map[Count]float64{}
	for _, c := range r.Counts {
		of[c] = r.evidence(c)
	}
	slices.SortStableFunc(r.Counts, func(a, b Count) int { return cmp.Compare(of[b], of[a]) })
}
