package fit

import (
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
)

// What one drive alone suggests, as rules: its copies stay copies and its checksums
// stay right whatever number is changed under them.

// drawnFrom says why nothing of one drive is decided.
const drawnFrom = "one disk alone suggests it"

// withTruths adds the copies and checksums that are true of the source to rules
// which come from it alone.
func (p *planner) withTruths(r *compare.Rules) {
	for _, t := range p.w.Truths {
		switch {
		case t.Mirror != nil:
			p.addCopy(r, t.Mirror)
		case t.Checksum != nil:
			p.addChecks(r, t.Checksum)
		}
	}
}

// addCopy adds a copy, if it lies in the areas of the rules.
func (p *planner) addCopy(r *compare.Rules, m *candidate.Mirror) {
	c := compare.CopyRule{Of: m.Of, To: m.To, Count: m.Count, Back: m.Back, Order: m.Order}
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
func (p *planner) addChecks(r *compare.Rules, k *candidate.Checksum) {
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
			Ways: []compare.SumWay{{Sum: k.Sum, Encoding: k.Encoding, Byte: at.Byte, Start: start, Count: k.Count, Order: image.Plain}},
		})
		if more.Check() == nil {
			*r = more
		}
	}
}

// together are the tries of all that one drive suggests: every number of it, those
// of the size alone, and those that point somewhere.
func (p *planner) together() (out []rung) {
	for _, kind := range []struct {
		text string
		with func(c compare.Class) bool
	}{
		{"every number that may follow the size does", func(compare.Class) bool { return true }},
		{"the numbers that may be the size of the disk follow it, and no address does", func(c compare.Class) bool { return c == compare.Size }},
		{"the addresses that may count from the end follow it, and no size does", func(c compare.Class) bool { return c == compare.Address }},
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
		p.withTruths(rules)
		out = append(out, rung{rules: rules, guessed: true, Finding: disk.Notef("", disk.NoSector,
			"%s, as one drive alone suggests: %d of them, with their copies and checksums made new. If the device gets further, go on with fewer of them", kind.text, count)})
	}
	return out
}

// otherTails are the tries in which no number changes, but what lies at the end does.
func (p *planner) otherTails() []rung {
	if p.w.Tail != "" {
		return nil // its owner has said where the tail goes
	}
	return []rung{
		{tail: TailEnd, Finding: disk.Notef("", disk.NoSector,
			"no number changes, and the tail is at the new end alone. If the device gets further than with try 1, it looks for its tail there, and minds the old one")},
		{tail: TailDrop, Finding: disk.Notef("", disk.NoSector,
			"the head alone, and nothing at the end: let the device format the card. What it writes, compare --before and --after tells, and that card is an original")},
	}
}
