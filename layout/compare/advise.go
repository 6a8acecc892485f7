package compare

import (
	"cmp"
	"slices"

	"bootgraft/layout"
)

// Advice is a size of which another original would decide most.
type Advice struct {
	Size layout.Sector
	Left int // fields that would still be undecided for the card

	readings int // of those fields, which would still differ
}

// Advise tells which of the given sizes, in sectors, another original should
// have so that a card of n sectors is decided: a unit of that size, or a card
// of that size which the device has initialised. The best come first; it
// supposes that the simplest formula is the true one, and sizes already
// compared are left out.
func (r *Rules) Advise(n layout.Sector, sizes []layout.Sector) []Advice {
	var out []Advice
	for _, s := range sizes {
		if slices.Contains(r.Sizes, s) {
			continue
		}
		a := Advice{Size: s}
		for i := range r.Fields {
			if left := r.Fields[i].left(n, s); left > 0 {
				a.Left++
				a.readings += left
			}
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(a, b Advice) int {
		return cmp.Or(a.Left-b.Left, a.readings-b.readings)
	})
	return out
}

// left counts the readings that would fit an original of s sectors as well as
// the first does, and still put something else on a card of n.
func (f *Field) left(n, s layout.Sector) (count int) {
	first := f.Ways[0].Formulas[0]
	there, ok1 := first.one(int64(s), first.simplest())
	here, ok2 := first.one(int64(n), first.simplest())
	if !ok1 || !ok2 {
		return 0
	}
	for _, w := range f.Ways {
		for _, g := range w.Formulas {
			h, fits := g.giving(int64(s), there)
			if !fits {
				continue
			}
			lo, ok1 := h.one(int64(n), h.Min)
			hi, ok2 := h.one(int64(n), h.Max)
			if !ok1 || !ok2 || lo != here || hi != here {
				count++
			}
		}
	}
	return count
}

// giving returns the part of the band that gives v for n sectors.
func (f Formula) giving(n, v int64) (Formula, bool) {
	q := v - f.Plus
	if q%f.Times != 0 {
		return f, false
	}
	q /= f.Times
	if float64(q)*float64(f.Per) > limit || float64(n)*float64(f.Of) > limit {
		return f, false
	}
	add := q*f.Per - n*f.Of
	f.Min, f.Max = max(f.Min, add), min(f.Max, add+f.Per-1)
	return f, f.Min <= f.Max
}
