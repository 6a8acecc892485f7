package compare

import (
	"cmp"
	"slices"
	"strings"

	"bootgraft/layout/rule/candidate"
)

// A number may follow from another one beside it rather than from the size: bytes
// from clusters, the sectors of a map from what it maps, a start from a length.
// Such relations are looked for before checksums, for a sum of two words is one.

// firstRelated is how many of the ratios that follow are taken to be half of all: a
// start and a length, and the sectors of a map of so many bits or entries (by hand, no
// source).
const firstRelated = 4

// related are the ratios in which numbers follow from one another: a start and a
// length; bits and entries of a map in a sector; sectors, and bytes, of clusters;
// sectors of cylinders.
func related() []ratio {
	out := []ratio{{1, 1}, {1, 4096}, {1, 256}, {1, 128}}
	for n := int64(2); n <= 1<<15; n *= 2 {
		out = append(out, ratio{n, 1})
	}
	for _, u := range cylinders {
		out = append(out, ratio{u, 1})
	}
	return out
}

// maxAway is how much a number that follows from another one can differ from it by
// an amount of its own.
const maxAway = 1 << 16

// relations finds the numbers that follow from those which are proved, or from
// numbers that do, and predict more than least bits.
func (w *worker) relations(weak []*guess, least float64) {
	for known := -1; known != len(w.c.Fields); {
		known = len(w.c.Fields)
		for _, s := range w.sheets {
			w.relationsIn(s, weak, least)
		}
	}
}

// Numbers that belong together mostly lie together: within nearBytes of one another
// they are taken to be half of all, and those further apart the other half.
const nearBytes = 8

// weakRelation is how many bits a number that lies beside another one may predict
// too few, and is worth a try all the same.
const weakRelation = -8

// near tells whether a number from at to end lies beside the base.
func (b *base) near(at, end int) bool {
	return at >= b.at.Byte && at-b.at.Byte-b.form.Width < nearBytes || at < b.at.Byte && b.at.Byte-end < nearBytes
}

// base is a number that others may follow from.
type base struct {
	at   candidate.Place
	form *candidate.Form
	fits *fitter
	weak bool
}

// alike tells whether a form is that of the base, or a shorter or longer one of the
// same order: a device writes numbers that belong together in one way.
func (b *base) alike(f *candidate.Form) bool {
	order := func(f *candidate.Form) string { return strings.TrimRight(string(f.Encoding), "0123456789") }
	return f == b.form || order(f) == order(b.form) && f.Low() == b.form.Low()
}

// bases returns the numbers of a sheet that others may follow from; weak: also such as
// follow from another one by chance.
func (w *worker) bases(s *sheet, weak bool) (out []base) {
	for i := range w.c.Fields {
		f := &w.c.Fields[i]
		if f.SectorStart() != s.at || f.Weak() && !(weak && f.On != nil) {
			continue
		}
		form, err := candidate.FormOf(f.Ways[0].Encoding)
		if err != nil {
			continue
		}
		if b := (base{at: f.Place, form: form, weak: f.Weak()}); w.reckons(s, &b) {
			out = append(out, b)
		}
	}
	return out
}

// reckons gives a base in a sheet what fits others by it; false if it is no number on some
// disk, or too large to reckon with.
func (w *worker) reckons(s *sheet, b *base) bool {
	values := make([]int64, len(s.data))
	for j, d := range s.data {
		v, ok := b.form.Decode(d[b.at.Byte : b.at.Byte+b.form.Width])
		if !ok || v > 1<<50 {
			return false
		}
		values[j] = int64(v)
	}
	b.fits = newFitter(values, int64(w.c.SectorSize), Count{})
	b.fits.named, b.fits.first = related(), firstRelated
	return true
}

// relationsIn accepts the relations between numbers of one sheet, the surest first.
func (w *worker) relationsIn(s *sheet, weak []*guess, least float64) {
	found := following(s, w.bases(s, least < 0))
	slices.SortStableFunc(found, func(a, b *guess) int { return cmp.Compare(b.rank(), a.rank()) })
	for _, g := range found {
		better := func(o *guess) bool {
			return o.s == s && o.at < g.end() && g.at < o.end() && (w.bits(o) > g.fit.bits || w.otherRounding(o, g))
		}
		if g.fit.bits <= 0 && !(g.near && g.fit.bits > least) || slices.ContainsFunc(weak, better) ||
			slices.ContainsFunc(weak, func(o *guess) bool { return w.saysMore(o, g) }) {
			continue
		}
		w.acceptOne(g, g.fit.bits)
	}
}

// otherRounding tells whether o reads the number g as the same units of the size as the one
// that g follows from, rounded otherwise: whole units and begun ones differ by one on
// nearly all disks.
func (w *worker) otherRounding(o, g *guess) bool {
	on := w.c.Field(*g.on)
	if o.at != g.at || o.form != g.form || on.On != nil {
		return false
	}
	return slices.ContainsFunc(o.fit.formulas, func(f Formula) bool {
		return f.Per > f.Of && simple(f) && f.sameUnit(on.Ways[0].Formulas[0])
	})
}

// saysMore tells whether a number follows rather from one beside it that may be chance yet,
// than from what it was found to follow from: then it waits until that is settled.
func (w *worker) saysMore(o, g *guess) bool {
	if o.s != g.s || o.at < g.end() && g.at < o.end() || o.s.open(o.at, o.end()) == 0 {
		return false
	}
	b := &base{at: o.place(), form: o.form}
	if !b.alike(g.form) || g.at%2 != o.at%2 || !b.near(g.at, g.end()) || !w.reckons(o.s, b) {
		return false
	}
	fit := b.fits.byName(g.values(), len(g.cover))
	return fit != nil && fit.bits-cost(2*nearBytes) > g.fit.bits
}

// following returns the numbers of a sheet that follow from one of the bases, each from the
// one that predicts most, less the choice among all that were tried.
func following(s *sheet, bases []base) (found []*guess) {
	var tried, triedNear float64
	for _, form := range binaryForms {
		for at := 0; at+form.Width <= len(s.diff) && len(bases) > 0; at++ {
			g := &guess{s: s, at: at, form: form}
			if g.cover = s.openBytes(at, at+form.Width); len(g.cover) == 0 {
				continue
			}
			values := g.values()
			if shifted(values) {
				continue
			}
			for _, b := range bases {
				if !b.alike(form) || at%2 != b.at.Byte%2 {
					continue
				}
				near := b.near(at, g.end())
				if tried++; near {
					triedNear++
				}
				if fit := b.fits.byName(values, len(g.cover)); fit != nil && (g.fit == nil || fit.bits > g.fit.bits) {
					if b.weak { // nor is what follows from it
						fit.bits = min(fit.bits, chanceBits)
					}
					g.fit, g.on, g.near = fit, &b.at, near
				}
			}
			if g.fit != nil {
				found = append(found, g)
			}
		}
	}
	for _, g := range found {
		if g.near {
			g.fit.bits -= cost(2 * triedNear)
		} else {
			g.fit.bits -= cost(2 * tried)
		}
	}
	return found
}

// shifted tells whether two bytes of the lowest worth are zero on every disk: no number
// is so many times another one, and this is a shorter one with zeros beside it.
func shifted(values []uint64) bool {
	return !slices.ContainsFunc(values, func(v uint64) bool { return v%(1<<16) != 0 })
}

// openBytes returns the differing bytes from lo to hi; none if one of them is
// explained.
func (s *sheet) openBytes(lo, hi int) (out []int) {
	for i := lo; i < hi; i++ {
		switch {
		case s.diff[i] && s.done[i]:
			return nil
		case s.diff[i]:
			out = append(out, i)
		}
	}
	return out
}

// byName fits values in a named ratio, with an amount that may be solved.
func (f *fitter) byName(values []uint64, cover int) *fitted {
	if !f.take(values) {
		return nil
	}
	last := len(f.n) - 1
	width := f.width(cover)
	var best *fitted
	for i, r := range f.named {
		g, ok := f.solve(r.of, r.per, 1, 0, last+1)
		if !ok || max(g.simplest(), -g.simplest()) > maxAway {
			continue
		}
		bits := f.namedBits(g, width, i)
		if bits <= 0 {
			continue
		}
		switch {
		case best == nil || bits > best.bits+bar:
			best = &fitted{formulas: []Formula{g}, bits: bits}
		case bits > best.bits:
			best.formulas, best.bits = slices.Insert(best.formulas, 0, g), bits
		case bits > best.bits-bar && len(best.formulas) < maxFormulas:
			best.formulas = append(best.formulas, g)
		}
	}
	if best == nil || best.formulas[0].constants(f.named) >= len(f.n) {
		return nil // or as many numbers of it were made up as there are sizes
	}
	best.unseen = !f.leaveOut(best.formulas[0])
	return best
}
