package compare

import (
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// carried says which bytes without a rule the card takes from the source.
func (a *applier) carried() error {
	count := map[Class]int{}
	first := map[Class]candidate.Place{}
	for _, s := range a.r.Carried {
		if count[s.Class] == 0 {
			first[s.Class] = s.Place
		}
		count[s.Class] += s.Count
	}
	for _, c := range []struct {
		class Class
		code  disk.Code
		text  string
	}{
		{Identity, disk.RulesCarriedIdentity, "the card passes for the unit of the source, which matters only if both are " +
			"used at once"},
		{Volatile, disk.RulesCarriedVolatile, "the device sets them itself"},
		{Content, disk.RulesCarriedContent, "they are the owner's data, or too different to be understood"},
	} {
		if n := count[c.class]; n > 0 {
			a.out.Findings = append(a.out.Findings, disk.Notef(c.code, a.onCard(first[c.class]),
				"%d bytes of the class %q, the first at %s, are as the source has them: %s", n, c.class, first[c.class], c.text))
		}
	}
	if n := count[Unexplained]; n > 0 {
		a.ask(disk.RulesUnexplained, a.onCard(first[Unexplained]),
			"%d bytes follow the size as far as the originals show, and no rule explains them; the first is at %s. "+
				"They are as the source has them: if the device looks at them, it finds the old size", n, first[Unexplained])
	}
	if n := count[Unknown]; n > 0 {
		a.out.Findings = append(a.out.Findings, disk.Warningf(disk.RulesCarriedUnknown, a.onCard(first[Unknown]),
			"%d bytes that differ between the originals and have no rule, the first at %s, are as the source has them. If "+
				"the device refuses the card, these are the first suspects; two originals of one size tell whether they belong "+
				"to the unit", n, first[Unknown]))
	}
	return nil
}

// ask puts a question about the whole card.
func (a *applier) ask(code disk.Code, at disk.Sector, text string, args ...any) {
	a.out.Questions = append(a.out.Questions, disk.Refusalf(code, at, text, args...))
}

// counted asks which size the device counts with, where that matters for this
// card, and about what lies beyond all originals.
func (a *applier) counted() error {
	if wall := a.r.beyond(a.n); wall > 0 {
		a.ask(disk.BeyondOriginals, disk.NoSector, "the card has %s sectors, and no original more than %s: devices are "+
			"known that count otherwise beyond %s sectors, and whether this is one of them no original shows",
			disk.Grouped(a.n), disk.Grouped(a.r.Sizes[len(a.r.Sizes)-1]), disk.Grouped(wall))
	}
	tail, err := a.r.SteadyTail(a.src)
	if err != nil {
		return err
	}
	if text := a.r.CountedText(a.n, tail); text != "" {
		a.ask(disk.RulesCountedSize, disk.NoSector, "%s This plan counts %s", text, disk.Grouped(a.r.Counted(a.n)))
	}
	return nil
}
