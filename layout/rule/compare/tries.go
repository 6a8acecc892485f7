package compare

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Try is one way to make a card where the originals leave several.
type Try struct {
	Rules *Rules
	Count Count             // the size that it counts with
	Place *candidate.Place  // of the number that is read in another way, nil if none is
	Weak  []candidate.Place // of the numbers that are no likelier than chance, and follow the size all the same
}

// Tries returns what may be tried for a card of n sectors, the likeliest first:
// by one and the other size that the device may count with, all its numbers and
// places at once; then with all numbers that chance may have made; then one number
// at a time that is not decided by itself; then by the other sizes; then with one
// number alone that counts another size. fromEnd is as in DiffersBy.
func (r *Rules) Tries(n disk.Sector, fromEnd bool) (out []Try) {
	for i, c := range r.DiffersBy(n, fromEnd) {
		out = append(out, Try{Rules: r.Alone(c), Count: c})
		if i == 1 {
			out = append(out, out[0].further(n)...)
		}
	}
	if len(out) == 1 {
		out = append(out, out[0].further(n)...)
	}
	return append(out, out[0].cutAlone(n, r.counts())...)
}

// further returns the tries of the same size that differ in some numbers.
func (t *Try) further(n disk.Sector) []Try { return append(t.withWeak(), t.others(n)...) }

// withWeak returns the try in which all numbers follow the size that are no likelier
// than chance: one alone is a try of its own.
func (t *Try) withWeak() []Try {
	all := *t.Rules
	all.Fields = append([]Field{}, t.Rules.Fields...)
	var weak []candidate.Place
	for i := range all.Fields {
		if f := &all.Fields[i]; f.Weak() {
			f.Bits = 1
			weak = append(weak, f.Place)
		}
	}
	if len(weak) < 2 {
		return nil
	}
	return []Try{{Rules: &all, Count: t.Count, Weak: weak}}
}

// others returns the tries that read one number otherwise.
func (t *Try) others(n disk.Sector) (out []Try) {
	for i := range t.Rules.Fields {
		f := &t.Rules.Fields[i]
		if a, err := t.Rules.Answer(f, n); err != nil || a.Alone {
			continue
		}
		others := t.Rules.Rivals(f, n)
		if f.Weak() {
			others = append([]Field{*f}, others...)
		}
		for _, alone := range others {
			alone.Bits = max(alone.Bits, 1) // it is tried, however weak
			other := *t.Rules
			other.Fields = append([]Field{}, t.Rules.Fields...)
			other.Fields[i] = alone
			out = append(out, Try{Rules: &other, Count: t.Count, Place: &alone.Place})
		}
	}
	return out
}

// cutAlone returns the tries in which one number alone counts another size than the
// rest: a device may cut what it shows, and nothing else.
func (t *Try) cutAlone(n disk.Sector, counts []Count) (out []Try) {
	for i := range t.Rules.Fields {
		f := &t.Rules.Fields[i]
		first, err := t.Rules.Answer(f, n)
		if err != nil || f.Weak() || f.On != nil || first.Byte != f.Ways[0].Byte {
			continue
		}
		told := [][]byte{first.Bytes}
		for _, c := range counts {
			alone := *f
			alone.Doubt = "one of several sizes that it may count with"
			alone.Ways = []Way{{f.Ways[0].Byte, f.Ways[0].Encoding, []Formula{first.Formula}}}
			alone.Ways[0].Formulas[0].Count = c
			other := *t.Rules
			other.Fields = slices.Clone(t.Rules.Fields)
			other.Fields[i] = alone
			a, err := other.Answer(&alone, n)
			if err != nil || a.Byte != first.Byte || slices.ContainsFunc(told, func(b []byte) bool { return slices.Equal(a.Bytes, b) }) {
				continue
			}
			told = append(told, a.Bytes)
			out = append(out, Try{Rules: &other, Count: t.Count, Place: &alone.Place})
		}
	}
	return out
}

// Field returns the number that is read in another way.
func (t *Try) Field() *Field {
	for i := range t.Rules.Fields {
		if f := &t.Rules.Fields[i]; t.Place != nil && f.Place == *t.Place {
			return f
		}
	}
	return nil
}
