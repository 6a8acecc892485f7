package compare

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
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
	warn := func(code disk.Code, p candidate.Place, text string, args ...any) {
		out = append(out, disk.Warningf(code, a.onCard(p), text, args...))
	}
	for i := range r.Fields {
		if err := a.brokenField(&r.Fields[i], warn); err != nil {
			return nil, err
		}
	}
	if err := a.pairs(func(c *CopyRule, i disk.Sector, of, to candidate.Place) error {
		same, err := a.repeats(c, i)
		if err == nil && !same {
			warn(disk.RuleCopy, to, "%s does not repeat %s: a device that compares its copies may write the old one back",
				to, of)
		}
		return err
	}); err != nil {
		return nil, err
	}
	for i := range r.Checks {
		c := &r.Checks[i]
		have, right, err := a.sumHolds(c, c.Ways)
		if err != nil {
			return nil, err
		}
		if !right {
			warn(disk.RuleCheck, c.Place, "the checksum at %s is % x, which its span does not give", c.Place, have)
		}
	}
	return out, nil
}

func (a *applier) brokenField(f *Field, warn func(disk.Code, candidate.Place, string, ...any)) error {
	if f.Weak() {
		return nil
	}
	b, err := a.source(f.Place)
	if err != nil {
		return err
	}
	answer, err := a.r.Answer(f, a.n)
	switch {
	case err != nil:
		warn(disk.RuleField, f.Place, "no disk of this size can follow the rule: %v", err)
	case !a.r.gives(f, b, a.n):
		warn(disk.RuleField, f.Place, "%s holds % x; for a disk of this size the rule %s says % x", f.Place,
			b[answer.Byte:answer.Byte+answer.Width], f.Ways[0].Formulas[0], answer.Bytes)
	}
	return nil
}

// gives tells whether any reading of a field, by any of the sizes that the device may count
// with, gives what its sector b holds on a disk of n sectors. A reading may take more or
// fewer bytes than the first one does.
func (r *Rules) gives(f *Field, b []byte, n disk.Sector) bool {
	for _, c := range r.counts() {
		for _, x := range r.in(c, f, n) {
			w := f.Ways[x.way]
			form, err := candidate.FormOf(w.Encoding)
			if err != nil {
				continue
			}
			if v, ok := form.Decode(b[w.Byte : w.Byte+form.Width]); ok && v < limit {
				if _, fits := x.giving(x.n, int64(v)); fits {
					return true
				}
			}
		}
	}
	return false
}

// pairs visits the sectors of every copy.
func (a *applier) pairs(visit func(c *CopyRule, i disk.Sector, of, to candidate.Place) error) error {
	for k := range a.r.Copies {
		c := &a.r.Copies[k]
		for i := range c.Count {
			of, to := c.Pair(i)
			if err := visit(c, i, of, to); err != nil {
				return err
			}
		}
	}
	return nil
}

// repeats tells whether the i-th sector of a copy repeats its original, on the card as far
// as it is made.
func (a *applier) repeats(c *CopyRule, i disk.Sector) (bool, error) {
	of, to := c.Pair(i)
	b, err := a.now(of)
	if err != nil {
		return false, err
	}
	t, err := a.now(to)
	return err == nil && c.equal(b, t, i), err
}

// equal tells whether t, the i-th copy, repeats b but for the bytes of its own.
func (c *CopyRule) equal(b, t []byte, i disk.Sector) bool {
	b = slices.Clone(b)
	c.Order.Turn(b)
	for at, own := range c.owned(i, len(b)) {
		if b[at] != t[at] && !own {
			return false
		}
	}
	return true
}

// sumHolds tells whether a checksum is right by one of some readings, on the card as far as
// it is made, and what stands there.
func (a *applier) sumHolds(c *Check, ways []SumWay) (have []byte, right bool, err error) {
	b, err := a.now(c.Place)
	if err != nil {
		return nil, false, err
	}
	have = b[c.Byte : c.Byte+c.Width]
	for _, w := range ways {
		want, err := a.sum(w, c)
		if err != nil || agree(c.Byte, have, w.Byte, want) {
			return have, err == nil, err
		}
	}
	return have, false, nil
}

// noOriginal says what a source is that contradicts the rules.
const noOriginal = "it is no original of this model, or not whole"

// verify makes sure that every copy and checksum that the rules name is true of the source,
// as far as it is proved, and of the card.
func (a *applier) verify() error {
	source := &applier{r: a.r, src: a.src, old: a.old, n: a.n}
	if err := a.pairs(func(c *CopyRule, i disk.Sector, of, to candidate.Place) error {
		if same, err := source.repeats(c, i); err != nil || !same {
			return cmp.Or(err, refuse(disk.RulesSource, "%s of the source does not repeat %s, as the rules say: its copies "+
				"disagree already", to, of))
		}
		if same, err := a.repeats(c, i); err != nil || !same {
			return cmp.Or(err, refuse(disk.RulesContradict, "a field at %s changes bytes that repeat %s", to, of))
		}
		return nil
	}); err != nil {
		return err
	}
	for i := range a.r.Checks {
		c := &a.r.Checks[i]
		if have, right, err := source.sumHolds(c, c.Ways); err != nil || !right && c.State() == Proved {
			return cmp.Or(err, refuse(disk.RulesSource, "the checksum at %s of the source is % x, which its span does not "+
				"give: %s", c.Place, have, noOriginal))
		}
		if _, right, err := a.sumHolds(c, c.Ways[:1]); err != nil || !right {
			return cmp.Or(err, refuse(disk.RulesContradict, "the checksum at %s is wrong after everything is in its place",
				c.Place))
		}
	}
	return nil
}

// leftBehind looks for copies that the rules do not know: sectors of the
// source's boot areas that repeat one which the card has otherwise. A sector like one whose
// bytes are all the same is no copy of it.
func (a *applier) leftBehind() error {
	old := map[string]candidate.Place{}
	for p, b := range a.card {
		s, err := a.source(p)
		if err != nil {
			return err
		}
		if bytes.Equal(s, b) || bytes.Count(s, s[:1]) == len(s) {
			continue
		}
		for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
			t := slices.Clone(s)
			order.Turn(t)
			if first, there := old[string(t)]; !there || p.Compare(first) < 0 {
				old[string(t)] = p
			}
		}
	}
	if len(old) == 0 {
		return nil
	}
	var stay []candidate.Place
	for _, from := range []candidate.Place{{From: layout.FromStart}, {From: layout.FromEnd, Sector: a.r.Tail}} {
		more, err := a.scanFor(old, from)
		if err != nil {
			return err
		}
		stay = append(stay, more...)
	}
	return a.askAboutCopies(old, stay)
}

// askAboutCopies asks whether copies may stay as they are. Only their owner can know
// whether the device reads them.
func (a *applier) askAboutCopies(old map[string]candidate.Place, stay []candidate.Place) error {
	if len(stay) == 0 {
		return nil
	}
	s, err := a.source(stay[0])
	if err != nil {
		return err
	}
	more := ""
	if n := len(stay) - 1; n > 0 {
		more = fmt.Sprintf("; so it is of %s more", disk.Counted(n, "sector"))
	}
	a.ask(disk.CopyLeftBehind, a.onCard(stay[0]), "%s of the source repeats %s, which changes, and no rule changes it "+
		"too%s: the device may write the old one back", stay[0], old[string(s)], more)
	return nil
}

// scanFor lists the sectors of an area that hold one of the old ones, and stay.
func (a *applier) scanFor(old map[string]candidate.Place, from candidate.Place) (stay []candidate.Place, err error) {
	count := a.r.Head
	if from.From == layout.FromEnd {
		count = a.r.Tail
	}
	at := a.onSource(from)
	area := disk.Span{Start: at, Count: count}.Common(image.Whole(a.src))
	size := int64(a.r.SectorSize)
	buf := make([]byte, chunk)
	for _, known := range disk.NewSpans(image.Unknown(a.src, area)...).Outside(area) {
		for x := known.Start; x < known.End(); x += disk.Sector(chunk / size) {
			part := buf[:min(int64(known.End()-x)*size, chunk)]
			if err := image.ReadFull(a.src, part, int64(x)*size); err != nil {
				return nil, fmt.Errorf("looking for copies that no rule changes, from sector %d of the source on: %w", x, err)
			}
			for i := int64(0); i < int64(len(part)); i += size {
				p := from.After(x - at + disk.Sector(i/size))
				_, hit := old[string(part[i:i+size])]
				if _, ours := a.card[p]; hit && !ours {
					stay = append(stay, p)
				}
			}
		}
	}
	return stay, nil
}
