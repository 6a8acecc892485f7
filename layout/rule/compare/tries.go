package compare

import (
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Try is one way to make a card where the originals leave several.
type Try struct {
	Rules *Rules
	Count Count            // the size that it counts with
	Place *candidate.Place // of the number that is read in another way, nil if none is
}

// Tries returns what may be tried for a card of n sectors, the likeliest first:
// by one and the other size that the device may count with, all its numbers and
// places at once; then one number at a time that is not decided by itself; then
// by the other sizes. fromEnd is as in DiffersBy.
func (r *Rules) Tries(n disk.Sector, fromEnd bool) (out []Try) {
	for i, c := range r.DiffersBy(n, fromEnd) {
		out = append(out, Try{Rules: r.Alone(c), Count: c})
		if i == 1 {
			out = append(out, out[0].others(n)...)
		}
	}
	if len(out) == 1 {
		out = append(out, out[0].others(n)...)
	}
	return out
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

// Field returns the number that is read in another way.
func (t *Try) Field() *Field {
	for i := range t.Rules.Fields {
		if f := &t.Rules.Fields[i]; t.Place != nil && f.Place == *t.Place {
			return f
		}
	}
	return nil
}
