package compare

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Try is one way to make a card where the originals leave several.
type Try struct {
	Rules   *Rules
	Count   Count             // the size that it counts with
	Changed []candidate.Place // of the numbers that are not read as the rules read them for the same size
}

// maxTries bounds how many tries are told apart: a person makes far fewer cards.
const maxTries = 48

// Tries returns what may be tried for a card of n sectors, the likeliest first, each
// another card: every size that the device may count with, and every number by every
// formula that fits. The first is what the rules make. fromEnd is as in DiffersBy.
func (r *Rules) Tries(n disk.Sector, fromEnd bool) (out []Try) {
	fromEnd = fromEnd || r.TailReach() > 0
	at := map[string]int{}
	var all []choice
	for _, w := range r.worlds(n) {
		for _, c := range w.likeliest(fromEnd) {
			if i, there := at[c.key]; there {
				all[i].share += c.share
				continue
			}
			at[c.key] = len(all)
			all = append(all, c)
		}
	}
	for _, c := range rulesFirst(all, r.counts()[0]) {
		if len(out) == maxTries {
			break
		}
		out = append(out, c.try(r))
	}
	return out
}

// Likeliest returns the rules with the size first that the likeliest of all cards of n
// sectors counts with: many sizes that make one card are likelier than one that makes
// another.
func (r *Rules) Likeliest(n disk.Sector) *Rules {
	if len(r.Counts) < 2 {
		return r
	}
	first := r.Tries(n, true)[0].Count
	out := *r
	out.Counts = append([]Count{first}, slices.DeleteFunc(slices.Clone(r.Counts),
		func(c Count) bool { return c == first })...)
	return &out
}

// rulesFirst orders choices: what the rules make, in the likeliest world of these, then
// the others by their shares. What the rules make can be so unlikely that no world has
// listed it; then it counts as the first world does.
func rulesFirst(all []choice, count Count) []choice {
	first := -1
	for i, c := range all {
		if c.plain && (first < 0 || c.share > all[first].share) {
			first = i
		}
	}
	if first < 0 {
		all, first = append([]choice{{count: count, plain: true}}, all...), 0
	}
	rest := slices.Delete(slices.Clone(all), first, first+1)
	slices.SortStableFunc(rest, func(a, b choice) int { return cmp.Compare(b.share, a.share) })
	return append([]choice{all[first]}, rest...)
}

// choice is a card in the making: what some fields hold.
type choice struct {
	count  Count
	fields map[int]Field // those that are not as the rules have them
	key    string        // the same for the same card
	share  float64
	plain  bool // no field is other than the rules have it
}

// try makes rules of a choice.
func (c *choice) try(r *Rules) Try {
	alone := r.alone(c.count)
	t := Try{Rules: alone, Count: c.count}
	alone.Fields = slices.Clone(r.Fields)
	moved := map[candidate.Place]candidate.Place{}
	for i, f := range c.fields {
		alone.Fields[i] = f
		moved[r.Fields[i].Place] = f.Place
		t.Changed = append(t.Changed, f.Place)
	}
	for i := range alone.Fields { // what follows from a number still does where it is read from another byte on
		if on := alone.Fields[i].On; on != nil {
			if at, ok := moved[*on]; ok {
				alone.Fields[i].On = &at
			}
		}
	}
	slices.SortFunc(t.Changed, candidate.Place.Compare)
	return t
}

// world is a device that counts with one size, and what its numbers may hold on a
// card, each list the likeliest first.
type world struct {
	count Count
	end   disk.Sector
	share float64
	lists [][]choice
}

// worlds returns the worlds that the originals leave, the likeliest first.
func (r *Rules) worlds(n disk.Sector) (out []world) {
	counts := r.counts()
	evidence := make([]float64, len(counts))
	for i, c := range counts {
		evidence[i] = r.evidence(c)
	}
	for k, c := range counts {
		w := world{count: c, end: c.Of(n), share: math.Exp2(evidence[k] - slices.Max(evidence))}
		alone := r.alone(c)
		var weak [][]choice
		for i := range r.Fields {
			switch f := &r.Fields[i]; {
			case f.On != nil:
			case f.Weak():
				weak = append(weak, alone.choices(r, i, n))
			default:
				w.lists = append(w.lists, alone.choices(r, i, n))
			}
		}
		if len(weak) > 0 {
			w.lists = append(w.lists, together(weak))
		}
		out = append(out, w)
	}
	return out
}

// together joins the choices of numbers that are no likelier than chance: where one of
// them is a number, so mostly are the others.
func together(lists [][]choice) []choice {
	out, all, least := lists[0], choice{}, 1.0
	for i, list := range lists {
		if i > 0 {
			out = product(out, list)
		}
		switch {
		case len(list) == 1: // it cannot be written on this card
			least = 0
		case all.fields == nil:
			all, least = list[1], min(least, list[1].share)
		default:
			all, least = all.and(list[1]), min(least, list[1].share)
		}
	}
	if len(lists) < 2 || least == 0 {
		return out
	}
	i := slices.IndexFunc(out, func(c choice) bool { return c.key == all.key })
	if i < 0 {
		i, out = len(out), append(out, all)
	}
	out[i].share = 1.01 * max(out[i].share, least) // before one of them alone
	slices.SortStableFunc(out[1:], func(a, b choice) int { return cmp.Compare(b.share, a.share) })
	return out
}

// product joins every choice of a with every one of b, and keeps the likeliest. The
// first is that of the first ones.
func product(a, b []choice) (out []choice) {
	for _, x := range a {
		for _, y := range b {
			out = append(out, x.and(y))
		}
	}
	slices.SortStableFunc(out[1:], func(a, b choice) int { return cmp.Compare(b.share, a.share) })
	return out[:min(len(out), maxChoices)]
}

// maxChoices bounds what is kept of one number, and of those that follow from it.
const maxChoices = 24

// choices returns what the i-th field may hold, and those that follow from it. r counts
// with one size, of are the rules with all of them.
func (r *Rules) choices(of *Rules, i int, n disk.Sector) (out []choice) {
	f := &r.Fields[i]
	options, err := r.options(r.Counts[0], f, n)
	if err != nil {
		return []choice{{key: "-", share: 1, plain: true}}
	}
	if f.On == nil && !f.Weak() {
		options = append(options, r.bySelf(of, f, n, &options[0])...)
	}
	total := 0.0
	for _, o := range options {
		total += o.share
	}
	put := func(o *option, field Field, plain bool, share float64) {
		c := choice{fields: map[int]Field{i: field}, key: o.key(), share: share, plain: plain}
		if plain {
			c.fields = nil
		}
		given := field
		given.Place = f.Place // where others know it
		out = append(out, r.with(i, given).following(of, i, n, c)...)
	}
	follows := 1.0
	if f.Weak() {
		odds := math.Exp2(f.Bits - chanceBits)
		follows = odds / (1 + odds)
		out = append(out, choice{key: "-", share: 1 - follows, plain: true})
	}
	for k := range options[:min(len(options), maxChoices)] {
		o := &options[k]
		field := o.alone(f)
		field.Bits = max(field.Bits, 1) // it is tried, however weak
		put(o, field, k == 0 && !f.Weak(), follows*o.share/total)
	}
	slices.SortStableFunc(out[1:], func(a, b choice) int { return cmp.Compare(b.share, a.share) })
	return out[:min(len(out), maxChoices)]
}

// following joins what the fields may hold that follow from the i-th one to a choice
// of it.
func (r *Rules) following(of *Rules, i int, n disk.Sector, c choice) []choice {
	out := []choice{c}
	for j := range r.Fields {
		if on := r.Fields[j].On; on == nil || *on != of.Fields[i].Place {
			continue
		}
		out = product(out, r.choices(of, j, n))
	}
	return out
}

// and joins two choices of different fields.
func (c choice) and(d choice) choice {
	fields := map[int]Field{}
	maps.Copy(fields, c.fields)
	maps.Copy(fields, d.fields)
	return choice{c.count, fields, c.key + " " + d.key, c.share * d.share, c.plain && d.plain}
}

// with returns the rules with another i-th field.
func (r *Rules) with(i int, f Field) *Rules {
	out := *r
	out.Fields = slices.Clone(r.Fields)
	out.Fields[i] = f
	return &out
}

func (o *option) key() string { return fmt.Sprintf("%d:%x", o.at, o.bytes) }

// bySelf returns the numbers that the field holds if it alone counts another size than
// the rest: a device may cut what it shows, and nothing else.
func (r *Rules) bySelf(of *Rules, f *Field, n disk.Sector, first *option) (out []option) {
	for _, c := range of.counts() {
		if c == (Count{}) || c.Of(n) == r.Counts[0].Of(n) || first.formula.Times > 1 {
			continue
		}
		g := first.formula
		g.Count = c
		v, ok := g.one(int64(n), g.Min)
		if !ok || v < 0 {
			continue
		}
		b, err := encode(f.Ways[first.way].Encoding, uint64(v))
		o := option{way: first.way, formula: g, band: g, value: uint64(v), at: first.at, bytes: b,
			share: first.share * cutBySelf(c) * unitShare(c.Whole)}
		if err == nil && !o.same(*first) && !slices.ContainsFunc(out, o.same) {
			out = append(out, o)
		}
	}
	return out
}

// cutBySelf is the share of numbers that count a size of their own, of those that count
// what the device counts: as of all numbers if it is rounded as others are (see rounded).
func cutBySelf(c Count) float64 {
	if isCylinder(c.Whole) {
		return bySelf
	}
	return roundedOff * roundedDown / addsNothing
}

// combination is one choice of each list, and how likely it is.
type combination struct {
	at    []int
	share float64
}

// likeliest returns the likeliest cards of the world.
func (w *world) likeliest(fromEnd bool) (out []choice) {
	var queue []combination // the likeliest last, and of two alike that which came first
	seen := map[string]bool{}
	put := func(at []int) {
		key := fmt.Sprint(at)
		if seen[key] {
			return
		}
		seen[key] = true
		x := combination{at, 1}
		for i, k := range at {
			x.share *= w.lists[i][k].share
		}
		i, _ := slices.BinarySearchFunc(queue, x, func(a, b combination) int { return cmp.Compare(a.share, b.share) })
		queue = slices.Insert(queue, i, x)
	}
	put(make([]int, len(w.lists)))
	for len(queue) > 0 && len(out) < maxTries {
		x := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		c := choice{count: w.count, fields: map[int]Field{}, share: w.share * x.share, plain: true}
		keys := []string{}
		if fromEnd {
			keys = append(keys, fmt.Sprint(w.end))
		}
		for i, at := range x.at {
			d := w.lists[i][at]
			maps.Copy(c.fields, d.fields)
			c.plain = c.plain && d.plain
			keys = append(keys, d.key)
		}
		c.key = strings.Join(keys, " ")
		out = append(out, c)
		for i := range x.at {
			next := slices.Clone(x.at)
			if next[i]++; next[i] < len(w.lists[i]) {
				put(next)
			}
		}
	}
	return out
}
