package compare

import (
	"bytes"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Broken looks whether a disk, of whatever size and whoever made it, follows
// the rules: every number, every copy, every checksum. It returns a finding
// for each that is not as the rules say: rule-field, rule-copy, rule-check,
// or rules-areas-overlap for a disk too small for any of them. A number or
// checksum of several readings must follow one of them. An error is a failed
// read, an *image.UnknownError among them.
func (r *Rules) Broken(src image.Source) ([]disk.Finding, error) {
	if err := r.Check(); err != nil {
		return nil, err
	}
	n := image.Sectors(src)
	r = r.Likeliest(n)
	if least := r.reach(); n < least || src.SectorSize() != r.SectorSize {
		return []disk.Finding{disk.Warningf(disk.RulesAreasOverlap, disk.NoSector,
			"the rules are for disks of at least %d sectors of %d bytes; this one has %d of %d", least, r.SectorSize, n,
			src.SectorSize())}, nil
	}
	a := &applier{r: r, src: src, old: n, n: n, card: map[candidate.Place][]byte{}}
	var out []disk.Finding
	for i := range r.Fields {
		if err := a.brokenField(&r.Fields[i], &out); err != nil {
			return nil, err
		}
	}
	for i := range r.Copies {
		if err := a.brokenCopy(&r.Copies[i], &out); err != nil {
			return nil, err
		}
	}
	for i := range r.Checks {
		if err := a.brokenCheck(&r.Checks[i], &out); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (a *applier) brokenField(f *Field, out *[]disk.Finding) error {
	if f.Weak() {
		return nil
	}
	b, err := a.source(f.Place)
	if err != nil {
		return err
	}
	at := a.onCard(f.Place)
	answer, err := a.r.Answer(f, a.n)
	if err != nil {
		*out = append(*out, disk.Warningf(disk.RuleField, at, "no disk of this size can follow the rule: %v", err))
		return nil
	}
	// A reading may take more or fewer bytes than the first one does.
	holds := func(at int, want []byte) bool { return len(want) > 0 && bytes.Equal(b[at:at+len(want)], want) }
	other := func(o Other) bool { return holds(o.Byte, o.Bytes) }
	if !holds(answer.Byte, answer.Bytes) && !slices.ContainsFunc(answer.Others, other) {
		*out = append(*out, disk.Warningf(disk.RuleField, at, "%s holds % x; for a disk of this size the rule %s says % x",
			f.Place, b[answer.Byte:answer.Byte+answer.Width], f.Ways[0].Formulas[0], answer.Bytes))
	}
	return nil
}

func (a *applier) brokenCopy(c *CopyRule, out *[]disk.Finding) error {
	for x := range c.Count {
		of, to := c.Pair(x)
		b, err := a.source(of)
		if err != nil {
			return err
		}
		t, err := a.source(to)
		if err != nil {
			return err
		}
		if !c.equal(b, t, x) {
			*out = append(*out, disk.Warningf(disk.RuleCopy, a.onCard(to),
				"%s does not repeat %s: a device that compares its copies may write the old one back", to, of))
		}
	}
	return nil
}

func (a *applier) brokenCheck(c *Check, out *[]disk.Finding) error {
	b, err := a.source(c.Place)
	if err != nil {
		return err
	}
	have := b[c.Byte : c.Byte+c.Width]
	for _, w := range c.Ways {
		want, err := a.sum(w, c)
		if err != nil {
			return err
		}
		if agree(c.Byte, have, w.Byte, want) {
			return nil
		}
	}
	*out = append(*out, disk.Warningf(disk.RuleCheck, a.onCard(c.Place),
		"the checksum at %s is % x, which its span does not give", c.Place, have))
	return nil
}
