package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/compare"
)

func showFields(u *talk.UI, a *Originals) {
	if len(a.Fields) == 0 {
		u.Answerf("\nNo number that follows the size was found.\n")
		return
	}
	u.Answerf("\n%s:\n", fieldsHeading)
	some(u, len(a.Fields), func(i int) { showField(u, &a.Rules, &a.Fields[i]) })
}

func showField(u *talk.UI, r *compare.Rules, f *compare.Field) {
	u.Wrapped("  ", fmt.Sprintf("%s: %s, %s", f.Place, f.Ways[0].Encoding.Text(), knownText(r, f)))
	all := f.Different()
	u.Wrapped("      ", all[0].Text+follows(f))
	also := ""
	if n := len(f.Readings()) - len(all); n > 0 {
		also = fmt.Sprintf("; it may be longer or shorter than that: %s to read it %s as well",
			disk.Counted(n, "other way"), fit(n))
	}
	u.Wrapped("      ", predicted(f.Bits)+because(f.Doubt)+also)
	others := all[1:]
	orElse(u, textsOf(others, func(o *compare.Reading) string {
		if o.Byte != f.Byte || o.Encoding != f.Ways[0].Encoding {
			return fmt.Sprintf("%s (byte %d: %s)", o.Text, o.Byte, o.Encoding.Text())
		}
		return o.Text
	}))
}

// fit is what one thing does, or several.
func fit(n int) string {
	if n == 1 {
		return "fits"
	}
	return "fit"
}

// orElse lists what else it may be.
func orElse(u *talk.UI, list []string) {
	for i, text := range list {
		if i == maxReadings {
			u.Answerf("      ... "+restInJSON+"\n", disk.Grouped(len(list)-i))
			return
		}
		u.Wrapped("      or ", text)
	}
}

// follows says what N is where it is not the size.
func follows(f *compare.Field) string {
	if f.On == nil {
		return ""
	}
	return fmt.Sprintf(", where N is the number at %s", f.On)
}

func because(doubt string) string {
	if doubt == "" {
		return ""
	}
	return "; " + doubt
}

func showChecks(u *talk.UI, a *Originals) {
	if len(a.Checks) == 0 {
		return
	}
	u.Answerf("\n%s:\n", checksHeading)
	some(u, len(a.Checks), func(i int) {
		c, more := &a.Checks[i], ""
		u.Wrapped("  ", fmt.Sprintf("%s: %s, %s", c.Place, c.Ways[0].Encoding.Text(), c.State()))
		u.Wrapped("      ", overText(c, a.SectorSize))
		switch n := len(c.Ways) - 1; {
		case n == 1:
			more = "; 1 other span or sum fits the originals as well"
		case n > 1:
			more = fmt.Sprintf("; %s other spans or sums fit the originals as well", disk.Grouped(n))
		}
		u.Wrapped("      ", predicted(c.Bits)+because(c.Doubt)+more)
	})
}

// overText says what a checksum computes, over what.
func overText(c *compare.Check, sectorSize int) string {
	return fmt.Sprintf("%s over %s", sumText(c.Ways[0].Sum), sumSpanText(c.Ways[0], sectorSize))
}

// showFor says what a card of one size would hold.
func showFor(u *talk.UI, a *Originals) {
	if a.Card == 0 {
		return
	}
	r := a.Likeliest(a.Card)
	v := r.For(a.Card)
	u.Answerf("\nA card of %s:\n", disk.SizeText(a.Card, a.SectorSize))
	if text := r.CountedText(a.Card, a.TailReach() > 0); text != "" {
		u.Wrapped("  ", text)
	}
	some(u, len(a.Fields), func(i int) {
		f := &a.Fields[i]
		answer, err := r.Answer(f, a.Card)
		if err != nil {
			u.Wrapped("  ", fmt.Sprintf("impossible: %v", err))
			return
		}
		u.Wrapped("  ", fmt.Sprintf("%s would hold %s, %s%s", f.Place, disk.Grouped(int64(answer.Value)), answer.State,
			because(answer.Why)))
		orElse(u, textsOf(answer.Others, func(o *compare.Other) string {
			text := fmt.Sprintf("%s: %s", disk.Grouped(int64(o.Value)), o.Formula)
			if o.Bytes != nil && o.Byte != answer.Byte {
				text += fmt.Sprintf(" (byte %d)", o.Byte)
			}
			return text
		}))
	})
	u.Answerf("%s\n", decided(v))
}

// decided says how far all that follows the size is known of a card.
func decided(v compare.Verdict) string { return fmt.Sprintf("Numbers and checksums: %s.", v) }

// advicePart says which other original would decide most.
func (a *Originals) advicePart() report.Part {
	if len(a.Advised) == 0 {
		return report.Part{}
	}
	return report.NewPart("Which other original would decide most", report.Textf(
		"For a card of %s sectors, one more original decides most if it has one of these sizes, or one like them: "+
			"another unit's drive, or a card of that size which the device itself has initialised. "+
			"What so few bytes foretell may need one more after it.", disk.Grouped(a.For)),
		report.TableOf("  (size) | (what it would leave)", len(a.Advised), func(i int) []string {
			x, left := a.Advised[i], "every number would be decided"
			if x.Left > 0 {
				left = disk.Counted(x.Left, "number") + " would still be undecided"
			}
			size := disk.BytesText(int64(x.Size) * int64(a.SectorSize))
			return []string{fmt.Sprintf("%s (%s)", disk.Counted(x.Size, "sector"), size), left}
		}))
}

// fieldRow is one number that follows the size.
func fieldRow(r *compare.Rules, f *compare.Field) []string {
	all := f.Different()
	what := all[0].Text + follows(f)
	for i, other := range all[1:] {
		if i == maxReadings {
			what += fmt.Sprintf("; or %s more formulas", disk.Grouped(len(all)-1-i))
			break
		}
		what += "; or " + other.Text
	}
	return []string{f.Place.String(), f.Ways[0].Encoding.Text(), what,
		fmt.Sprintf("%s: %s%s", knownText(r, f), predicted(f.Bits), because(f.Doubt))}
}

// cardPart is what a card of one size would hold.
func (a *Originals) cardPart() report.Part {
	r := a.Likeliest(a.Card)
	t := report.TableOf("where | would hold> | state", len(a.Fields), func(i int) []string {
		answer, err := r.Answer(&a.Fields[i], a.Card)
		if err != nil {
			return []string{a.Fields[i].Place.String(), "impossible", err.Error()}
		}
		state := fmt.Sprintf("%s%s", answer.State, because(answer.Why))
		for _, o := range answer.Others {
			state += fmt.Sprintf("; or %s: %s", disk.Grouped(int64(o.Value)), o.Formula)
		}
		return []string{a.Fields[i].Place.String(), disk.Grouped(int64(answer.Value)), state}
	})
	p := report.NewPart("A card of "+disk.SizeText(a.Card, a.SectorSize), t, report.Text(decided(r.For(a.Card))))
	if text := r.CountedText(a.Card, a.TailReach() > 0); text != "" {
		p.Blocks = append(p.Blocks, report.Text(strings.TrimSpace(text)))
	}
	return p
}
