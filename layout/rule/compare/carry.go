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
		{Identity, disk.RulesCarriedIdentity, "the card passes for the unit of the source, which matters only if both are used at once"},
		{Volatile, disk.RulesCarriedVolatile, "the device sets them itself"},
		{Content, disk.RulesCarriedContent, "they are the owner's data, or too different to be understood"},
	} {
		if n := count[c.class]; n > 0 {
			a.out.Findings = append(a.out.Findings, disk.Notef(c.code, first[c.class].At(a.n),
				"%d bytes of the class %q, the first at %s, are as the source has them: %s", n, c.class, first[c.class], c.text))
		}
	}
	if n := count[Unknown]; n > 0 {
		a.out.Findings = append(a.out.Findings, disk.Warningf(disk.RulesCarriedUnknown, first[Unknown].At(a.n),
			"%d bytes that differ between the originals and have no rule, the first at %s, are as the source has them. If the device refuses the card, these are the first suspects; two originals of one size tell whether they belong to the unit", n, first[Unknown]))
	}
	return nil
}
