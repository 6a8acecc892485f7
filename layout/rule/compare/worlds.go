package compare

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// What a device counts with is one question for all its numbers: a size that
// contradicts one number which is proved falls for all of them.

// maxCounts bounds the sizes that are told apart.
const maxCounts = 32

// tellable returns the sizes that some original tells from its sectors: cut to the
// usual units of which it is no whole number, or at a wall beyond which it lies.
func (w *worker) tellable() []Count {
	out := []Count{{}}
	for _, u := range cylinders {
		if c := (Count{Whole: u}); !w.c.plain(c) {
			out = append(out, c)
		}
	}
	for _, wall := range walls {
		if c := (Count{Most: int64(wall)}); !w.c.plain(c) && w.c.Sizes[0] < wall {
			out = append(out, c)
		}
	}
	return out
}

// fitAny fits by the sectors, or where these predict too little by a size that
// predicts far more.
func fitAny(fits []*fitter, values []uint64, cover int) *fitted {
	best := fits[0].fit(values, cover)
	least := float64(bar)
	if best != nil {
		if best.bits >= 2*bar {
			return best
		}
		least = max(least, best.bits)
		if best.constants < 2 {
			least = max(least, best.bits+bar)
		}
	}
	for _, f := range fits[1:] {
		other := f.fit(values, cover)
		if other == nil {
			continue
		}
		if other.bits -= cost(float64(len(fits))); other.bits >= least {
			best, least = other, other.bits
		}
	}
	return best
}

// counts finds the sizes that the device may count with, and gives every
// reading the formulas of all of them.
func (w *worker) counts(strong, weak []*guess) {
	fits := w.fits
	left := make([]bool, len(fits))
	w.c.Counts = nil
	seen := w.endSeen(strong)
	for i, f := range fits {
		left[i] = !seen || w.sameEnd(f.count)
		for _, g := range strong {
			left[i] = left[i] && g.by(fits[i]) != nil
		}
	}
	if !slices.Contains(left, true) { // it counts with several: each number is asked for itself
		for i := range left {
			left[i] = true
		}
	}
	for i, f := range fits {
		if left[i] {
			w.c.Counts = append(w.c.Counts, f.count)
		}
	}
	for _, g := range slices.Concat(strong, weak) {
		for _, r := range append([]*guess{g}, g.alternatives...) {
			r.allCounts(fits, left)
		}
	}
	if left[0] && fits[0].count == (Count{}) {
		w.c.Counts = append(w.c.Counts, w.untold(strong, weak)...)
	}
	w.rankCounts(strong)
}

// sameEnd tells whether a size ends where the tail was looked for, on every disk.
func (w *worker) sameEnd(c Count) bool {
	return !slices.ContainsFunc(w.c.Sizes, func(n disk.Sector) bool { return c.Of(n) != w.end.Of(n) })
}

// endSeen tells whether something was found that lies as far before the end on
// every disk: then that is the end which the device counts.
func (w *worker) endSeen(strong []*guess) bool {
	return w.c.steady > 0 || slices.ContainsFunc(w.c.Copies,
		func(c CopyRule) bool { return c.To.From == layout.FromEnd || c.Of.From == layout.FromEnd }) ||
		slices.ContainsFunc(strong, func(g *guess) bool { return g.s.at.From == layout.FromEnd })
}

// by returns what fits the guess if the device counts with the size of f; nil if
// that is far less likely than what was found.
func (c *guess) by(f *fitter) *fitted {
	fit := f.fit(c.values(), len(c.cover))
	if fit == nil || c.fit.bits-fit.bits >= bar {
		return nil
	}
	if slices.ContainsFunc(c.fit.formulas, simple) && !slices.ContainsFunc(fit.formulas, simple) {
		return nil // an amount had to be solved where nothing has to be
	}
	return fit
}

// values returns what the disks hold there, in a form in which it was read before.
func (c *guess) values() []uint64 {
	values := make([]uint64, len(c.s.data))
	for i, d := range c.s.data {
		values[i], _ = c.form.Decode(d[c.at:c.end()])
	}
	return values
}

// allCounts gives the guess the formulas of every size that is left and that it
// may count with.
func (c *guess) allCounts(fits []*fitter, left []bool) {
	var formulas []Formula
	for i, f := range fits {
		if !left[i] {
			continue
		}
		fit := c.fit
		if f.count != c.fit.formulas[0].Count {
			fit = c.by(f)
		}
		if fit != nil {
			formulas = append(formulas, fit.formulas...)
			c.fit.wide = c.fit.wide || fit.wide
		}
	}
	if len(formulas) > maxFormulas {
		formulas, c.fit.wide = formulas[:maxFormulas], true
	}
	if len(formulas) > 0 {
		c.fit.formulas = formulas
	}
}

// untold returns the sizes that no original tells from its sectors: cut to units
// of which all are whole numbers, the usual ones and those that a number counts.
func (w *worker) untold(strong, weak []*guess) (out []Count) {
	units := slices.Concat(cylinders, blocks)
	for _, g := range slices.Concat(strong, weak) {
		for _, f := range g.fit.formulas {
			if f.Count == (Count{}) && f.Of == 1 {
				units = append(units, f.Per, f.Times)
			}
		}
	}
	for _, u := range units {
		c := Count{Whole: u}
		if u > 1 && u <= w.c.sizes[0]/2 && w.c.plain(c) && !slices.Contains(out, c) && len(out) < maxCounts {
			out = append(out, c)
		}
	}
	return out
}

// rankCounts puts the sizes in the order in which they are likely, by the numbers of a
// list.
func (w *worker) rankCounts(strong []*guess) {
	by := w.c.Rules
	by.Fields = nil
	for _, g := range strong {
		by.Fields = append(by.Fields, g.field(w.bits(g)))
	}
	by.rank()
	if len(w.c.Counts) == 1 && w.c.Counts[0] == (Count{}) {
		w.c.Counts = nil
	}
}
