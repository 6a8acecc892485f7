package page

import (
	"bytes"
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan/diff"
	"bootgraft/safety"
)

// Brief is the first screen of a page that is longer than one: the verdict, numbers, the
// gravest findings, and what to type now.
type Brief struct {
	Verdict  []string // sentences, each on lines of its own
	Facts    []report.Fact
	Findings []disk.Finding
	Next     func(u *talk.UI)
}

// briefLines is how many lines a first screen takes, with what is said below it: 24, less
// the prompt.
const briefLines = 23

// Show writes the first screen. What has no room of the findings is counted.
func (b *Brief) Show(u *talk.UI) {
	head := linesOf(u, b.head)
	next := ""
	if b.Next != nil {
		next = linesOf(u, b.Next)
	}
	const belowIt = 2 // how to see the rest
	room := briefLines - belowIt - strings.Count(head, "\n") - strings.Count(next, "\n")
	u.Answerf("%s%s%s", head, b.findings(u, room), next)
}

func (b *Brief) head(u *talk.UI) {
	for _, s := range b.Verdict {
		u.Wrapped("", s)
	}
	most := 0
	for _, f := range b.Facts {
		most = max(most, words.Cells(f.Name))
	}
	for _, f := range b.Facts {
		u.Wrapped(fmt.Sprintf("  %s%s  ", f.Name, strings.Repeat(" ", most-words.Cells(f.Name))), f.Value)
	}
}

// findings writes the gravest findings for which there are so many lines.
func (b *Brief) findings(u *talk.UI, room int) string {
	var out strings.Builder
	left := len(b.Findings)
	room -= 2 // the blank line before them, and the line that counts the others
	for _, f := range gravest(b.Findings) {
		text := linesOf(u, func(u *talk.UI) { showFinding(u, f) })
		if n := strings.Count(text, "\n"); n <= room {
			out.WriteString(text)
			room -= n
			left--
		}
	}
	if len(b.Findings) == 0 {
		return ""
	}
	if left > 0 {
		fmt.Fprintf(&out, "  and %s\n", disk.Counted(left, "more finding"))
	}
	return "\n" + out.String()
}

// linesOf is what a part of a page says.
func linesOf(u *talk.UI, show func(u *talk.UI)) string {
	var text bytes.Buffer
	part := *u
	part.Out = &text
	show(&part)
	return text.String()
}

// SurveyBrief is the first screen about a drive.
func SurveyBrief(d *Drive, next func(u *talk.UI)) *Brief {
	b := &Brief{
		Verdict: []string{fmt.Sprintf("%s: %s", words.Printable(d.Path), disk.SizeText(d.Map.Sectors, d.Map.SectorSize)),
			surveyVerdict(d)},
		Findings: append(append([]disk.Finding{}, d.Map.Findings...), d.Found...), Next: next,
	}
	first, last := d.usedOutside()
	if first != last {
		first += " to " + last
	}
	b.Facts = []report.Fact{
		{Name: "table", Value: d.Map.Table}, {Name: "volumes", Value: d.volumes()}, {Name: "outside",
			Value: "in use from sector " + first},
		{Name: "tail", Value: d.tail()}, {Name: "not known", Value: disk.Counted(d.missing(), "sector")},
	}
	if first == "none" {
		b.Facts[2].Value = "nothing is in use outside volumes"
	}
	return b
}

// PlanBrief is the first screen about a plan. next is what to type.
func PlanBrief(p *Planned, next func(u *talk.UI)) *Brief {
	sentence, _, _ := p.verdict()
	b := &Brief{
		Verdict: []string{sentence},
		Facts: []report.Fact{
			{Name: "card", Value: disk.SizeText(p.Plan.Target.Sectors, p.Plan.Target.SectorSize)},
			{Name: "drive", Value: disk.SizeText(p.Plan.Source.Sectors, p.Plan.Source.SectorSize)},
			{Name: "sectors", Value: strings.TrimPrefix(totalsText(p.Plan), "Sectors: ")},
		},
		Findings: p.Plan.Findings, Next: next,
	}
	const most = 3
	for i, line := range p.changes() {
		name := ""
		if i == 0 {
			name = "changes"
		}
		if i < most {
			b.Facts = append(b.Facts, report.Fact{Name: name, Value: line})
		}
	}
	if p.Starts != nil {
		for _, w := range p.Starts.Ways {
			b.Facts = append(b.Facts, report.Fact{Name: "starts?", Value: methodText(w) + ": " + startWords[w.Answer]})
		}
	}
	b.Facts = append(b.Facts, report.Fact{Name: "check no.",
		Value: short(p.Digest) + " ..., to tell this plan from others"})
	return b
}

// ComparisonBrief is the first screen about several originals.
func ComparisonBrief(a *Originals) *Brief {
	b := &Brief{Findings: a.Findings}
	proved := 0
	for i := range a.Fields {
		if a.Fields[i].State() == compare.Proved {
			proved++
		}
	}
	b.Verdict = []string{fmt.Sprintf("%s of one model: %s that follow the size, %s of them proved.",
		disk.Counted(len(a.Dumps), "original"), disk.Counted(len(a.Fields), "number"), disk.Grouped(proved))}
	for i := range a.Fields {
		const most = 6
		if i == most {
			b.Facts = append(b.Facts, report.Fact{Value: fmt.Sprintf("and %s", disk.Counted(len(a.Fields)-i, "more number"))})
			break
		}
		f := &a.Fields[i]
		b.Facts = append(b.Facts, report.Fact{Name: f.Place.String(), Value: f.Different()[0].Text + ": " + knownText(f)})
	}
	b.Facts = append(b.Facts, report.Fact{Name: "beside them",
		Value: fmt.Sprintf("%s, %s", disk.Counted(len(a.Checks), "checksum"), copiesText(len(a.Copies)))})
	if a.Card > 0 {
		r := a.Likeliest(a.Card)
		b.Facts = append(b.Facts, report.Fact{Name: "card of " + disk.Counted(a.Card, "sector"),
			Value: fmt.Sprint(r.For(a.Card))})
	}
	b.Next = func(u *talk.UI) { nextOriginals(u, a) }
	return b
}

func copiesText(n int) string {
	if n == 1 {
		return "1 copy"
	}
	return disk.Grouped(n) + " copies"
}

// ChangedBrief is the first screen about what a device did.
func ChangedBrief(r *diff.Report, next string, advice Advice) *Brief {
	b := &Brief{Verdict: []string{fmt.Sprintf("%s of %s compared %s different.", disk.Counted(r.Changed, "sector"),
		disk.Grouped(r.Compared), disk.IsAre(r.Changed))}}
	for _, text := range kindTexts(r) {
		first, _, _ := strings.Cut(text, ". ")
		b.Verdict = append(b.Verdict, "- "+strings.TrimSuffix(first, ".")+".")
	}
	for i := range r.Regions {
		const most = 6
		if g := &r.Regions[i]; g.Changed > 0 && len(b.Facts) < most {
			b.Facts = append(b.Facts, report.Fact{Name: "from " + disk.Grouped(g.Start), Value: changedText(g)})
		}
	}
	b.Next = func(u *talk.UI) {
		nextChanged(u, r, next)
		NoStart(u, advice)
	}
	return b
}

// KitBrief is the first screen about a kit.
func KitBrief(path string, m *kit.Manifest, texts int, next func(u *talk.UI)) *Brief {
	b := &Brief{
		Verdict: []string{words.Printable(path) + " is whole and as it was made."},
		Facts: []report.Fact{
			{Name: "drive", Value: disk.SizeText(m.Sectors, m.SectorSize)}, {Name: "found", Value: foundText(m)},
			{Name: "in it", Value: disk.Counted(m.Stored(), "sector") + " of the drive"},
			{Name: "strings", Value: disk.Grouped(texts) + "; look whether any one is private"},
		},
		Next: next,
	}
	if m.Rules == nil && !m.FactsOnly {
		b.Facts = append(b.Facts, report.Fact{Name: "rules",
			Value: "none for a card of another size; the way out is on the whole page"})
	}
	if m.Drive != "" {
		b.Facts = append(b.Facts, report.Fact{Name: "model", Value: words.Printable(m.Drive)})
	}
	return b
}

// VerifiedBrief is the first screen about a card that is not as it is planned.
func VerifiedBrief(target string, c *safety.Comparison, next func(u *talk.UI)) *Brief {
	b := &Brief{Verdict: []string{fmt.Sprintf("%s differs from its plan in %s of %s compared.",
		words.Printable(target), disk.Counted(c.Unequal, "sector"), disk.Grouped(c.Compared))}, Next: next}
	for i := range c.Differences {
		const most = 4
		if i == most {
			break
		}
		d := &c.Differences[i]
		text := fmt.Sprintf("byte %d, %s, %s: wanted %s, found %s", d.Offset, opWords[d.Op], d.Why, d.Want, d.Have)
		if d.Note != "" {
			text += "; " + d.Note
		}
		b.Facts = append(b.Facts, report.Fact{Name: "sector " + disk.Grouped(d.Sector), Value: text})
	}
	for _, n := range c.Notes {
		b.Verdict = append(b.Verdict, "- "+n)
	}
	return b
}

// CardBrief is the first screen about a card.
func CardBrief(l *Look) *Brief {
	b := &Brief{Verdict: []string{l.title()}, Facts: []report.Fact{
		{Name: "size", Value: disk.SizeText(l.Facts.Sectors, l.Facts.SectorSize)},
		{Name: "sold as", Value: nominalLines(plan.NominalOf(l.Disk()))[0]},
	}}
	add := func(name string, lines []string, most int) {
		for i, s := range lines {
			if i > 0 {
				name = ""
			}
			if i == most {
				s = "... and " + disk.Counted(len(lines)-most, "more line")
			}
			if i <= most {
				b.Facts = append(b.Facts, report.Fact{Name: name, Value: s})
			}
		}
	}
	add("in use", l.InUse(), 2)
	switch {
	case l.Held != nil:
		add("holds now", l.Held.Lines, 4)
	case !l.Readable:
		add("holds now", []string{l.whyNotRead()}, 1)
	}
	add("look out", l.Hints(), 2)
	b.Next = l.next
	return b
}
