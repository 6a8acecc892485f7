package fit

import (
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"cmp"
	"fmt"
	"slices"
)

// What one drive alone suggests, as rules and as the tries of them: its copies stay
// copies and its checksums stay right whatever number is changed under them.

// drawnFrom says why nothing of one drive is decided.
const drawnFrom = "one disk alone suggests it"

// weakChance is how many numbers like it are expected by chance where a candidate
// is called weak.
const weakChance = 0.1

// withInvariants adds the copies and checksums that are true of the source to rules
// which come from it alone.
func (p *given) withInvariants(r *compare.Rules) {
	for _, t := range p.w.Invariants {
		switch t := t.(type) {
		case *candidate.Copy:
			p.addCopy(r, t)
		case *candidate.Checksum:
			p.addChecks(r, t)
		}
	}
}

// addCopy adds a copy, if it lies in the areas of the rules.
func (p *given) addCopy(r *compare.Rules, m *candidate.Copy) {
	c := compare.CopyRule{Repeat: m.Repeat}
	for i := range m.Count {
		_, to := c.Pair(i)
		for _, own := range m.Own {
			at := to
			at.Byte = own.Byte
			c.Own = append(c.Own, compare.Stretch{Place: at, Count: own.Count, Class: compare.CopyNumber})
		}
	}
	more := *r
	more.Copies = append(more.Copies[:len(more.Copies):len(more.Copies)], c)
	if more.Check() == nil {
		*r = more
	}
}

// addChecks adds a checksum wherever it is right, if it lies in the areas.
func (p *given) addChecks(r *compare.Rules, k *candidate.Checksum) {
	form, err := candidate.FormOf(k.Encoding)
	if err != nil {
		return
	}
	for _, at := range k.At {
		start := at.After(k.First)
		start.Byte = k.Byte
		more := *r
		more.Checks = append(more.Checks[:len(more.Checks):len(more.Checks)], compare.Check{
			Place: at, Width: form.Width, Bits: 1, Doubt: drawnFrom,
			Ways: []compare.SumWay{{Sum: k.Sum, Encoding: k.Encoding, Byte: at.Byte, Start: start, Count: k.Count,
				Order: image.Plain}},
		})
		if more.Check() == nil {
			*r = more
		}
	}
}

// candidates returns the numbers of the survey that may depend on the size and
// that no rule speaks of, the least likely by chance first.
func (p *course) candidates() []layout.Field {
	out := slices.DeleteFunc(slices.Clone(p.w.Fields), func(f layout.Field) bool { return f.Entry > 0 || f.Inside })
	if p.rules != nil {
		end := p.rules.Counted(p.s.Sectors)
		out = slices.DeleteFunc(out, func(f layout.Field) bool {
			return p.rules.Makes(candidate.Place{From: layout.FromStart, Sector: f.Sector, Byte: f.Offset}, f.Width) ||
				p.rules.Makes(candidate.Place{From: layout.FromEnd, Sector: end - f.Sector, Byte: f.Offset}, f.Width)
		})
	}
	slices.SortStableFunc(out, func(a, b layout.Field) int {
		return cmp.Or(cmp.Compare(a.ByChance, b.ByChance), cmp.Compare(a.Sector, b.Sector), a.Offset-b.Offset)
	})
	return out
}

// withCandidate returns the rules with one more number, which is undecided, and
// its place. ok is false if it lies in neither area of the rules.
func (p *given) withCandidate(
	to *compare.Rules, f layout.Field, g compare.Formula,
) (r *compare.Rules, at candidate.Place, ok bool) {
	r = &compare.Rules{SectorSize: p.s.SectorSize, Sizes: []disk.Sector{p.s.Sectors}}
	if to != nil {
		copied := *to
		r = &copied
	}
	most := min(p.s.Sectors, p.w.Target.Sectors) / 2
	area := min(disk.Sector(compare.Area/p.s.SectorSize), most)
	r.Head, r.Tail = max(r.Head, area), max(r.Tail, area)
	at = candidate.Place{From: layout.FromStart, Sector: f.Sector, Byte: f.Offset}
	if f.Sector >= r.Head {
		at.From, at.Sector = layout.FromEnd, r.Counted(p.s.Sectors)-f.Sector
		if at.Sector < 1 || at.Sector > r.Tail {
			return nil, at, false
		}
	}
	way := compare.Way{Byte: f.Offset, Encoding: candidate.Encoding(f.Encoding), Formulas: []compare.Formula{g}}
	r.Fields = append(slices.Clone(r.Fields), compare.Field{Place: at, Class: classOf(g), Width: f.Width, Bits: 1,
		Ways: []compare.Way{way}, Doubt: drawnFrom})
	return r, at, true
}

// classOf tells an address before the end from a size.
func classOf(g compare.Formula) compare.Class {
	if g.Of == 1 && g.Per == 1 && g.Max < -1 {
		return compare.Address
	}
	return compare.Size
}

// formulaOf says how a number follows from the size of the disk that holds it, if it
// does and is what it says.
func formulaOf(f layout.Field, n disk.Sector) (compare.Formula, bool) {
	form, err := candidate.FormOf(candidate.Encoding(f.Encoding))
	if err != nil || form.Width != f.Width || f.Law == nil {
		return compare.Formula{}, false
	}
	g := formula(f.Law)
	v, _, ok := g.At(n)
	return g, ok && v == f.Value
}

func formula(l *layout.Law) compare.Formula {
	return compare.Formula{Times: l.Times, Of: l.Of, Per: l.Per, Min: l.Add, Max: l.Add, Plus: l.Plus}
}

// ofOneDrive are the tries of all that one drive suggests, where no rules are.
func (p *course) ofOneDrive() []rung {
	if p.rules != nil {
		return nil
	}
	return append(p.together(), p.otherTails()...)
}

// together are the tries of all that one drive suggests: every number of it, those
// of the size alone, and those that point somewhere.
func (p *course) together() (out []rung) {
	for _, kind := range []struct {
		text string
		with func(c compare.Class) bool
	}{
		{"every number that may follow the size does", func(compare.Class) bool { return true }},
		{"the numbers that may be the size of the disk follow it, and no address does",
			func(c compare.Class) bool { return c == compare.Size }},
		{"the addresses that may count from the end follow it, and no size does",
			func(c compare.Class) bool { return c == compare.Address }},
	} {
		var rules *compare.Rules
		count := 0
		for _, f := range p.candidates() {
			g, ok := formulaOf(f, p.s.Sectors)
			if !ok || !kind.with(classOf(g)) || f.ByChance > weakChance {
				continue
			}
			if more, _, ok := p.withCandidate(rules, f, g); ok {
				rules = more
				count++
			}
		}
		if count < 2 || len(out) > 0 && count == len(out[0].rules.Fields) {
			continue // one number is a try of its own, and all are the try before
		}
		p.withInvariants(rules)
		out = append(out, rung{what: kind.text, rules: rules, guessed: true, Finding: disk.Notef("", disk.NoSector,
			"%s, as one drive alone suggests: %d of them, with their copies and checksums made new. If the device gets "+
				"further, go on with fewer of them", kind.text, count)})
	}
	return out
}

// otherTails are the tries in which no number changes, but what lies at the end does.
func (p *given) otherTails() []rung {
	if p.w.Tail != "" || !p.unknown() || p.tailOfSurvey().Empty() && !p.s.TailUndecided {
		return nil // its owner has said where the tail goes, a table where the volumes end, or there is none
	}
	return []rung{
		{what: "the tail at the new end alone", tail: TailEnd, Finding: disk.Notef("", disk.NoSector,
			"no number changes, and the tail is at the new end alone. If the device gets further than with try 1, it looks "+
				"for its tail there, and minds the old one")},
		{what: "the head alone, and nothing at the end", tail: TailDrop, Finding: disk.Notef("", disk.NoSector,
			"the head alone, and nothing at the end: let the device format the card. What it writes, compare --before and "+
				"--after tells, and that card is an original")},
	}
}

// guesses makes a try of every candidate that one disk alone suggests, or says why
// it is none.
func (p *course) guesses() (out []rung) {
	for _, f := range p.candidates() {
		if !p.unknown() && f.ByChance > weakChance {
			continue // beside a layout that is known, what chance makes too is no reason to doubt
		}
		what := fmt.Sprintf("sector %d, byte %d, %s = %d", f.Sector, f.Offset, f.Encoding, f.Value)
		g, ok := formulaOf(f, p.s.Sectors)
		if !ok {
			out = append(out, rung{what: what, why: "it counts from the start of the disk, whatever its size"})
			continue
		}
		rules, at, ok := p.withCandidate(p.rules, f, g)
		if !ok {
			out = append(out, rung{what: what, why: "it lies further from both ends than rules reach"})
			continue
		}
		if p.rules == nil {
			p.withInvariants(rules)
		}
		weak := ""
		if f.ByChance > weakChance {
			weak = "weak: "
		}
		out = append(out, rung{what: what, rules: rules, guess: []candidate.Place{at}, guessed: p.rules == nil,
			Finding: disk.Notef("", f.Sector,
				weak+"one number more follows the size, a candidate that one disk alone suggests: %s, %s, %s = %d (%.2g such "+
					"numbers are expected by chance). If the device gets further than before it was one; if it fails earlier or in "+
					"another way, it was none, or a checksum or a second copy covers it",
				at, f.Encoding, g, f.Value, f.ByChance)})
	}
	return out
}
