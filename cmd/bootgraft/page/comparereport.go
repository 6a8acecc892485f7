package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan/diff"
)

// ComparisonAnswer is what several originals have in common, for a page to print.
func ComparisonAnswer(a *Originals) Answer {
	out := Answer{Verdict: ComparisonBrief(a).Verdict[0], First: comparisonParts(a)}
	if a.Out != "" {
		out.Next = []string{a.NextLine()}
	}
	return out
}

func comparisonParts(a *Originals) (out []report.Part) {
	add := func(heading string, blocks ...report.Block) { out = append(out, report.NewPart(heading, blocks...)) }
	add("The originals", report.TableOf("> | original | sectors>", len(a.Dumps),
		func(i int) []string { return dumpRow(i, &a.Dumps[i]) }),
		report.Textf("Compared are the first %s and the last %s sectors.", disk.Grouped(a.Head), disk.Grouped(a.Tail)))
	add("Their bytes", a.bytesTable())
	if len(a.Fields) == 0 {
		add("Numbers that follow the size", report.Text("None was found."))
	} else {
		add(fieldsHeading, report.TableOf("where | how written | what | how sure", len(a.Fields),
			func(i int) []string { return fieldRow(&a.Fields[i]) }))
	}
	if len(a.Checks) > 0 {
		add(checksHeading, report.TableOf("where | what | how sure", len(a.Checks), func(i int) []string {
			c := &a.Checks[i]
			return []string{c.Place.String(), overText(c, a.SectorSize), fmt.Sprintf("%s: %s%s", c.State(), predicted(c.Bits), because(c.Doubt))}
		}))
	}
	out = append(out, a.copies()...)
	if len(a.Carried) > 0 {
		add("Without a rule: a card gets these bytes as the source has them",
			report.TableOf("bytes> | where | that", len(a.Carried), func(i int) []string {
				s := a.Carried[i]
				return []string{disk.Grouped(s.Count), stretchText(s, a.SectorSize), classText[s.Class]}
			}))
	}
	if a.Card > 0 {
		out = append(out, a.cardPart())
	}
	return append(out, cautionsPart(), findingsPart(a.Findings))
}

// dumpRow is one original.
func dumpRow(i int, d *compare.Dump) []string {
	name := d.Name
	if d.Unit != "" {
		name += ", " + d.Unit
	}
	return []string{fmt.Sprint(i + 1), name, disk.Grouped(image.Sectors(d.Source))}
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

// ChangedAnswer is what a device did to a card, for a page to print. next is what to type,
// or nothing; advice is for a card that did not start.
func ChangedAnswer(r *diff.Report, next string, advice Advice) Answer {
	out := Answer{Verdict: ChangedBrief(r, next, advice).Verdict[0], First: changedParts(r)}
	if next != "" {
		out.Next = []string{next}
	}
	if advice.Next != "" {
		p := report.NewPart("If it did not start", report.Facts([]string{"rules out", advice.RulesOut},
			[]string{"note", advice.Note}, []string{"next", advice.Next}))
		if len(advice.Typed) > 0 {
			p.Blocks = append(p.Blocks, report.Typed(strings.Join(advice.Typed, "\n")))
		}
		p.Blocks = append(p.Blocks, report.Text("All symptoms: bootgraft help no-start"))
		out.First = slices.Insert(out.First, 1, p)
	}
	return out
}

func changedParts(r *diff.Report) []report.Part {
	out := []report.Part{report.NewPart("What that means", report.List(kindTexts(r))), report.NewPart("What happened where", changedTable(r))}
	out = append(out, written(r)...)
	names := report.NewTable(" | volume:file")
	for _, x := range changedFiles(&r.Files, "by a desktop") {
		for _, name := range x.names {
			names.Add(x.what, name)
		}
	}
	if names.Rows != nil {
		out = append(out, report.Private("Files", names))
	}
	return append(out, cautionsPart(), findingsPart(r.Findings))
}
