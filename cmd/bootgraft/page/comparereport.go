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

// maxReportRows is how many rows a table on a page to print has; the rest is counted.
const maxReportRows = 100

// rows makes a table of the first of n things.
func rows(head []string, right []bool, n int, row func(i int) []string) report.Table {
	t := report.Table{Head: head, Right: right}
	for i := range n {
		if i == maxReportRows {
			more := make([]string, len(head))
			more[len(head)-1] = fmt.Sprintf("and %s more; all of them with --json", disk.Grouped(n-i))
			t.Rows = append(t.Rows, more)
			break
		}
		t.Rows = append(t.Rows, row(i))
	}
	return t
}

// ComparisonAnswer is what several originals have in common, for a page to print.
func ComparisonAnswer(a *Originals) Answer {
	out := Answer{Verdict: ComparisonBrief(a).Verdict[0], First: comparisonParts(a)}
	if a.Out != "" {
		out.Next = []string{a.NextLine()}
	}
	return out
}

func comparisonParts(a *Originals) (out []report.Part) {
	add := func(heading string, blocks ...report.Block) {
		out = append(out, report.Part{Heading: heading, Blocks: blocks})
	}
	add("The originals", rows([]string{"", "original", "sectors"}, []bool{true, false, true}, len(a.Dumps),
		func(i int) []string { return dumpRow(i, &a.Dumps[i]) }),
		report.Text(fmt.Sprintf("Compared are the first %s and the last %s sectors.",
			disk.Grouped(a.Head), disk.Grouped(a.Tail))))
	bytes := report.Table{Head: []string{"bytes", "that"}, Right: []bool{true}}
	for _, c := range classes {
		if n := a.Bytes[c]; n > 0 {
			bytes.Rows = append(bytes.Rows, []string{disk.Grouped(n), classText[c]})
		}
	}
	add("Their bytes", bytes)
	if len(a.Fields) == 0 {
		add("Numbers that follow the size", report.Text("None was found."))
	} else {
		add("Numbers that follow the size, N = sectors of the disk",
			rows([]string{"where", "how written", "what", "how sure"}, nil, len(a.Fields),
				func(i int) []string { return fieldRow(&a.Fields[i]) }))
	}
	if len(a.Checks) > 0 {
		add("Checksums; their own bytes count as zeros in their spans",
			rows([]string{"where", "what", "how sure"}, nil, len(a.Checks), func(i int) []string {
				c := &a.Checks[i]
				return []string{c.Place.String(), fmt.Sprintf("%s over %s", sumText(c.Ways[0].Sum),
					sumSpanText(c.Ways[0], a.SectorSize)),
					fmt.Sprintf("%s: %s%s", c.State(), predicted(c.Bits), because(c.Doubt))}
			}))
	}
	if len(a.Copies) > 0 {
		add("Copies", rows([]string{"what is repeated"}, nil, len(a.Copies),
			func(i int) []string { return []string{copyText(&a.Copies[i])} }))
	}
	if len(a.Carried) > 0 {
		add("Without a rule: a card gets these bytes as the source has them",
			rows([]string{"bytes", "where", "that"}, []bool{true}, len(a.Carried), func(i int) []string {
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
	t := rows([]string{"where", "would hold", "state"}, []bool{false, true}, len(a.Fields), func(i int) []string {
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
	p := report.Part{Heading: "A card of " + disk.SizeText(a.Card, a.SectorSize),
		Blocks: []report.Block{t, report.Text(fmt.Sprintf("%s.", r.For(a.Card)))}}
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
		p := report.Part{Heading: "If it did not start", Blocks: []report.Block{report.Table{Head: []string{"about", "it"},
			Narrow: true, Rows: [][]string{{"rules out", advice.RulesOut}, {"note", advice.Note}, {"next", advice.Next}}}}}
		if len(advice.Typed) > 0 {
			p.Blocks = append(p.Blocks, report.Typed(strings.Join(advice.Typed, "\n")))
		}
		p.Blocks = append(p.Blocks, report.Text("All symptoms: bootgraft help no-start"))
		out.First = slices.Insert(out.First, 1, p)
	}
	return out
}

func changedParts(r *diff.Report) (out []report.Part) {
	var kinds report.List
	for _, k := range r.Kinds {
		kinds = append(kinds, KindTexts[k])
	}
	out = append(out, report.Part{Heading: "What that means", Blocks: []report.Block{kinds}})
	out = append(out, report.Part{Heading: "What happened where", Blocks: []report.Block{
		rows([]string{"first sector", "sectors", "role", "what"}, []bool{true, true}, len(r.Regions), func(i int) []string {
			g := &r.Regions[i]
			return []string{disk.Grouped(g.Start), disk.Grouped(g.Count), string(g.Role), changedText(g)}
		})}})
	if list := writtenTexts(r); len(list) > 0 {
		out = append(out, report.Part{Heading: "What was written", Blocks: []report.Block{
			rows([]string{"what"}, nil, len(list), func(i int) []string { return []string{list[i]} })}})
	}
	var names [][]string
	for _, x := range []struct {
		word string
		list []string
	}{{"added", byDevice(&r.Files)}, {"removed", r.Files.Removed}, {"changed", r.Files.Changed}, {"by a desktop",
		r.Files.Desktop}} {
		for _, name := range x.list {
			names = append(names, []string{x.word, name})
		}
	}
	if len(names) > 0 {
		out = append(out, report.Part{Heading: "Files", Private: true, Blocks: []report.Block{
			rows([]string{"", "volume:file"}, nil, len(names), func(i int) []string { return names[i] })}})
	}
	return append(out, cautionsPart(), findingsPart(r.Findings))
}
