package compare

import (
	"fmt"
	"math"
	"strings"

	"bootgraft/image/disk"
)

// Formula is a band of formulas in N, the sectors of the disk, of which a Count
// may be taken first:
//
//	Times * floor((Of*N + Add) / Per) + Plus, for every Add from Min to Max
//
// The several disks leave no more of Add open than this; where both ends of
// the band give the same number, so does everything between.
type Formula struct {
	Count
	Times int64 `json:"times"`
	Of    int64 `json:"of"`
	Per   int64 `json:"per"`
	Min   int64 `json:"add_min"`
	Max   int64 `json:"add_max"`
	Plus  int64 `json:"plus"`
}

// limit bounds every number of a formula and every product in it, so that
// nothing overflows.
const limit = 1 << 61

// valid tells whether the formula can be computed for any disk.
func (f Formula) valid() bool {
	small := func(v, most int64) bool { return v >= -most && v <= most }
	return f.Count.valid() && f.Times > 0 && f.Of > 0 && f.Per > 0 && f.Times <= 1<<32 && f.Of <= 1<<20 &&
		f.Per <= 1<<40 &&
		f.Min <= f.Max && small(f.Min, 1<<60) && small(f.Max, 1<<60) && small(f.Plus, 1<<60)
}

// one computes the formula with a given Add.
func (f Formula) one(n, add int64) (v int64, ok bool) {
	if n = int64(f.Count.Of(disk.Sector(n))); n < 0 || float64(n)*float64(f.Of) > limit {
		return 0, false
	}
	q := floorDiv(n*f.Of+add, f.Per)
	if math.Abs(float64(q)*float64(f.Times)) > limit {
		return 0, false
	}
	return q*f.Times + f.Plus, true
}

// At returns the least and the greatest value of the band for a disk of n
// sectors. ok is false if one of them is negative or out of range.
func (f Formula) At(n disk.Sector) (lo, hi uint64, ok bool) {
	a, ok1 := f.one(int64(n), f.Min)
	b, ok2 := f.one(int64(n), f.Max)
	if !ok1 || !ok2 || a < 0 || b < 0 {
		return 0, 0, false
	}
	return uint64(a), uint64(b), true
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

// simplest returns the Add of the band that is said most shortly: none, the
// last sector, rounded up, one or two units, else the one nearest to none.
func (f Formula) simplest() int64 {
	if add, ok := f.simple(); ok {
		return add
	}
	if f.Max < 0 {
		return f.Max
	}
	return f.Min
}

// simple returns the Add of the band that nobody has to solve, if it has one.
func (f Formula) simple() (int64, bool) {
	for _, add := range []int64{0, -f.Of, f.Per - 1, f.Per, -f.Per, 2 * f.Per, -2 * f.Per} {
		if add >= f.Min && add <= f.Max {
			return add, true
		}
	}
	return 0, false
}

// likeliest returns the Add that most likely gives what the device writes: one
// that nobody has to solve, else the roundest of the band.
func (f Formula) likeliest() int64 {
	if add, ok := f.simple(); ok {
		return add
	}
	add := f.Min
	for unit := f.Of; unit > 0 && unit <= limit/4; unit *= 2 {
		up := f.Min + ((-f.Min)%unit+unit)%unit
		if up > f.Max {
			break
		}
		add = up
	}
	return add
}

// String writes the simplest formula of the band, and how many others the
// disks leave open.
func (f Formula) String() string {
	if f.Max > f.Min {
		return fmt.Sprintf("%s, or anything added between %d and %d", f.exact(), f.Min, f.Max)
	}
	return f.exact()
}

// exact writes the formula with the simplest number of those that the disks leave open.
func (f Formula) exact() string {
	add := f.simplest()
	size := f.Count.String()
	inner, closed := size, false
	if f.Of > 1 {
		inner = fmt.Sprintf("%d %s", f.Of, size)
	}
	switch {
	case add < 0 && add%f.Of == 0 && f.Of > 1:
		inner, closed = fmt.Sprintf("%d (%s - %d)", f.Of, size, -add/f.Of), true
	case add < 0:
		inner = fmt.Sprintf("%s - %d", inner, -add)
	case add > 0:
		inner = fmt.Sprintf("%s + %d", inner, add)
	}
	var s strings.Builder
	if f.Per > 1 {
		if add != 0 && !closed {
			inner = "(" + inner + ")"
		}
		inner = fmt.Sprintf("floor(%s / %d)", inner, f.Per)
	}
	if f.Times > 1 {
		fmt.Fprintf(&s, "%d ", f.Times)
		if f.Per == 1 && add != 0 {
			inner = "(" + inner + ")"
		}
	}
	s.WriteString(inner)
	if f.Plus > 0 {
		fmt.Fprintf(&s, " + %d", f.Plus)
	} else if f.Plus < 0 {
		fmt.Fprintf(&s, " - %d", -f.Plus)
	}
	return s.String()
}

// Text is the formula for a person: as String, which rule files keep, in other words.
func (f Formula) Text() string {
	if f.Max > f.Min {
		return f.exact() + ", or a number near it: from " + aside(f.Min) + " to " + aside(f.Max)
	}
	return f.exact()
}

// aside says how far a number lies from another.
func aside(n int64) string {
	switch {
	case n < 0:
		return fmt.Sprintf("%d less", -n)
	case n > 0:
		return fmt.Sprintf("%d more", n)
	}
	return "itself"
}

// constant tells whether the formula is N plus a constant.
func (f Formula) constant() bool {
	return f.Times == 1 && f.Of == 1 && f.Per == 1 && f.Min == f.Max
}
