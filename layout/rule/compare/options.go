package compare

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image/disk"
)

// option is one number that a field may hold on a card.
type option struct {
	way     int
	formula Formula // one of those that give the number
	band    Formula // of the field, which formula is of
	value   uint64
	at      int // in the sector of the field: where bytes lie
	bytes   []byte
	share   float64 // of the numbers that fit the originals, those which give it
	best    float64 // of these, what formula has
}

// maxValues is how many values of a band are told apart; of more than that only its
// ends and what is likeliest in it.
const maxValues = 16

// options returns the numbers that a field may hold on a card of n sectors of a
// device that counts with c, the likeliest first. An error means that there is none.
func (r *Rules) options(c Count, f *Field, n disk.Sector) (out []option, err error) {
	said := r.in(c, f, n)
	for from := 0; from < len(said); {
		to := from
		for to < len(said) && said[to].way == said[from].way {
			to++
		}
		list, problem := f.optionsOf(r.usual(c, f.Place), said[from:to])
		if err == nil {
			err = problem
		}
		usual := f.usualWay(said[from].way)
		for _, o := range list {
			o.share, o.best = o.share*usual, o.best*usual
			i := slices.IndexFunc(out, o.same)
			if i < 0 {
				out = append(out, o)
				continue
			}
			out[i].share += o.share
			if o.best > out[i].best {
				o.share = out[i].share
				out[i] = o
			}
		}
		from = to
	}
	slices.SortStableFunc(out, func(a, b option) int { return cmp.Compare(b.share, a.share) })
	switch {
	case len(out) > 0:
		err = nil
	case err == nil: // the number that it follows from has no value
		err = fmt.Errorf("%s: nothing can be written for %d sectors", f.Place, n)
	}
	return out, err
}

// optionsOf returns the numbers by one reading, each once.
func (f *Field) optionsOf(u *usual, said []spoken) (out []option, err error) {
	w := f.Ways[said[0].way]
	for _, x := range said {
		for _, g := range x.apart() {
			v, ok := g.one(x.n, g.Min)
			if !ok || v < 0 {
				if err == nil {
					err = fmt.Errorf("%s: %s is below zero, or beyond all sense, for %d sectors", f.Place, g, x.n)
				}
				continue
			}
			b, problem := encode(w.Encoding, uint64(v))
			if problem != nil {
				if err == nil {
					err = fmt.Errorf("%s: %w", f.Place, problem)
				}
				continue
			}
			share := u.of(g) * x.share
			add := g.likeliest()
			g.Min, g.Max = add, add
			i := slices.IndexFunc(out, func(o option) bool { return slices.Equal(o.bytes, b) })
			if i < 0 {
				i, out = len(out), append(out, option{way: x.way, formula: g, band: x.Formula, value: uint64(v), at: w.Byte,
					bytes: b})
			}
			out[i].share += share
			if share > out[i].best {
				out[i].formula, out[i].band, out[i].best = g, x.Formula, share
			}
		}
	}
	return out, err
}

// apart returns the parts of the band of which each gives one value.
func (x *spoken) apart() (out []Formula) {
	lo, ok1 := x.one(x.n, x.Min)
	hi, ok2 := x.one(x.n, x.Max)
	if !ok1 || !ok2 || (hi-lo)/x.Times >= maxValues {
		for _, add := range []int64{x.likeliest(), x.Min, x.Max} {
			g := x.Formula
			g.Min, g.Max = add, add
			out = append(out, g)
		}
		return out
	}
	for v := lo; v <= hi; v += x.Times {
		if g, ok := x.giving(x.n, v); ok {
			out = append(out, g)
		}
	}
	return out
}

// same tells whether two options make the same card: what one writes more is what mostly
// fills the room of a shorter number.
func (o option) same(p option) bool {
	return agree(o.at, o.bytes, p.at, p.bytes) && o.fills(p) && p.fills(o)
}

// fills tells whether what o writes beside the bytes of p is nothing that says anything:
// zeros, or what text is filled up with.
func (o option) fills(p option) bool {
	text := !slices.ContainsFunc(o.bytes, func(b byte) bool { return b != ' ' && (b < '0' || b > '9') })
	for i, b := range o.bytes {
		beside := o.at+i < p.at || o.at+i >= p.at+len(p.bytes)
		if beside && b != 0 && !(text && (b == ' ' || b == '0')) {
			return false
		}
	}
	return true
}

// alone returns the field as if nothing else than the option fitted the originals.
// It stays undecided.
func (o *option) alone(f *Field) Field {
	out := *f
	w := f.Ways[o.way]
	g := o.formula
	out.Byte, out.Width, out.Doubt = w.Byte, len(o.bytes), "one of several readings"
	if !g.constant() {
		out.Class = Size
	}
	if o.way > 0 {
		out.first = &f.Ways[0]
	}
	out.Ways = []Way{{w.Byte, w.Encoding, []Formula{g}, 0}}
	return out
}
