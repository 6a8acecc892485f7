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
	for i := range a.Fields {
		if enough(u, i, len(a.Fields)) {
			return
		}
		f := &a.Fields[i]
		u.Wrapped("  ", fmt.Sprintf("%s: %s, %s", f.Place, f.Ways[0].Encoding.Text(), knownText(f)))
		all := f.Different()
		u.Wrapped("      ", all[0].Text+follows(f))
		also := ""
		if n := len(f.Readings()) - len(all); n > 0 {
			also = fmt.Sprintf("; it may be longer or shorter than that: %s to read it fit as well",
				disk.Counted(n, "other way"))
			if n == 1 {
				also = "; it may be longer or shorter than that: 1 other way to read it fits as well"
			}
		}
		u.Wrapped("      ", fmt.Sprintf("%s%s%s", predicted(f.Bits), because(f.Doubt), also))
		for j, other := range all[1:] {
			if j == maxReadings {
				u.Answerf("      ... and %s more; all of them with --json\n", disk.Grouped(len(all)-1-j))
				break
			}
			where := ""
			if other.Byte != f.Byte || other.Encoding != f.Ways[0].Encoding {
				where = fmt.Sprintf(" (byte %d: %s)", other.Byte, other.Encoding.Text())
			}
			u.Wrapped("      or ", other.Text+where)
		}
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
	for i := range a.Checks {
		if enough(u, i, len(a.Checks)) {
			return
		}
		c := &a.Checks[i]
		u.Wrapped("  ", fmt.Sprintf("%s: %s, %s", c.Place, c.Ways[0].Encoding.Text(), c.State()))
		u.Wrapped("      ", overText(c, a.SectorSize))
		more := ""
		if n := len(c.Ways) - 1; n > 0 {
			more = fmt.Sprintf("; %s the originals as well", fits(n))
		}
		u.Wrapped("      ", fmt.Sprintf("%s%s%s", predicted(c.Bits), because(c.Doubt), more))
	}
}

// overText says what a checksum computes, over what.
func overText(c *compare.Check, sectorSize int) string {
	return fmt.Sprintf("%s over %s", sumText(c.Ways[0].Sum), sumSpanText(c.Ways[0], sectorSize))
}

func fits(n int) string {
	if n == 1 {
		return "1 other span or sum fits"
	}
	return disk.Grouped(n) + " other spans or sums fit"
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
	for i := range a.Fields {
		if enough(u, i, len(a.Fields)) {
			break
		}
		f := &a.Fields[i]
		answer, err := r.Answer(f, a.Card)
		if err != nil {
			u.Wrapped("  ", fmt.Sprintf("impossible: %v", err))
			continue
		}
		u.Wrapped("  ", fmt.Sprintf("%s would hold %s, %s%s", f.Place, disk.Grouped(int64(answer.Value)), answer.State,
			because(answer.Why)))
		showOthers(u, answer)
	}
	u.Answerf("%s.\n", v)
}

// showOthers lists the other numbers that may stand there.
func showOthers(u *talk.UI, answer compare.Answer) {
	for i, o := range answer.Others {
		if i == maxReadings {
			u.Answerf("      ... and %s more; all of them with --json\n", disk.Grouped(len(answer.Others)-i))
			return
		}
		where := ""
		if o.Bytes != nil && o.Byte != answer.Byte {
			where = fmt.Sprintf(" (byte %d)", o.Byte)
		}
		u.Wrapped("      or ", fmt.Sprintf("%s: %s%s", disk.Grouped(int64(o.Value)), o.Formula, where))
	}
}

// showAdvice says which other original would decide most.
func showAdvice(u *talk.UI, a *Originals) {
	list, card := a.Advice(a.Card)
	if len(list) == 0 {
		return
	}
	u.Answerf("\n")
	u.Wrapped("", fmt.Sprintf(
		"For a card of %s sectors, one more original decides most if it has one of these sizes, or one like them: "+
			"another unit's drive, or a card of that size which the device itself has initialised. "+
			"What so few bytes foretell may need one more after it.",
		disk.Grouped(card)))
	for _, x := range list {
		left := "every number would be decided"
		if x.Left > 0 {
			left = disk.Counted(x.Left, "number") + " would still be undecided"
		}
		u.Answerf("  %15s sectors (%s): %s\n", disk.Grouped(x.Size), disk.BytesText(int64(x.Size)*int64(a.SectorSize)), left)
	}
}

// fieldRow is one number that follows the size.
func fieldRow(f *compare.Field) []string {
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
		fmt.Sprintf("%s: %s%s", knownText(f), predicted(f.Bits), because(f.Doubt))}
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
	p := report.NewPart("A card of "+disk.SizeText(a.Card, a.SectorSize), t, report.Textf("%s.", r.For(a.Card)))
	if text := r.CountedText(a.Card, a.TailReach() > 0); text != "" {
		p.Blocks = append(p.Blocks, report.Text(strings.TrimSpace(text)))
	}
	return p
}
