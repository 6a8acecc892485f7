package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/starts"
)

// Planned is what a report knows of a plan: also one that was refused.
type Planned struct {
	*Drive
	Plan   *plan.Plan // nil if it was refused
	Digest string
	Anew   []MadeNew // boot sectors that the plan makes new

	Target    plan.Size
	Why, Need []disk.Finding // of a refusal
	Smallest  disk.Sector    // card that would do, 0 if the size is not the trouble
	Next      []string
	Starts    *starts.Report // nil if nobody asked
}

// MadeNew is a sector of the boot areas that a card gets otherwise than the drive has it.
type MadeNew struct {
	Sector   disk.Sector
	Old, New []byte
}

// short is as much of a check number as two people read to each other.
func short(digest string) string { return digest[:min(8, len(digest))] }

// PlanReport is the page of a plan, or of why there is none.
func PlanReport(p *Planned) *report.Report {
	r := &report.Report{
		Title: fmt.Sprintf("A card of %s for a drive of %s", disk.SizeText(p.Target.Sectors, p.Target.SectorSize),
			disk.Counted(p.Map.Sectors, "sector")),
		Next: p.Next, Written: p.Program,
	}
	if p.Plan == nil {
		p.refused(r)
		return r
	}
	r.Verdict, r.State, r.Good = p.verdict()
	p.fill(r, Answer{})
	return r
}

// refused fills the page of a card that was not planned.
func (p *Planned) refused(r *report.Report) {
	r.Aloud = []report.Fact{{Name: "sectors of the drive", Value: disk.Grouped(p.Map.Sectors)},
		{Name: "sectors of the card", Value: disk.Grouped(p.Target.Sectors)}}
	r.Verdict = fmt.Sprintf("This card of %s is not planned, and nothing was written.",
		disk.Counted(p.Target.Sectors, "sector"))
	switch {
	case len(p.Why) > 0 && p.Smallest > 0:
		r.State = fmt.Sprintf("does not fit: the smallest card that would do has %s", disk.Counted(p.Smallest, "sector"))
	case len(p.Why) > 0:
		r.State = "cannot be planned like this"
	default:
		var codes []string
		for _, f := range p.Need {
			if !slices.Contains(codes, string(f.Code)) {
				codes = append(codes, string(f.Code))
			}
		}
		r.State = "only if you accept " + strings.Join(codes, ", ")
	}
	r.Parts = append(r.Parts, findingsPart(slices.Concat(p.Why, p.Need)))
	if part, any := p.damagedPart(); any {
		r.Parts = append(r.Parts, part)
	}
	r.Parts = append(r.Parts, drawn("The drive", drawing.New(p.Map, nil, p.Faults)), p.bootPart(), cautionsPart())
	r.Forum = p.numbers(report.Fact{Name: "card sectors", Value: disk.Grouped(p.Target.Sectors)})
}

// verdict is the plan in one sentence, and its state.
func (p *Planned) verdict() (sentence, state string, good bool) {
	var accepted []string
	for _, f := range p.Plan.Findings {
		if f.Accepted && !slices.Contains(accepted, string(f.Code)) {
			accepted = append(accepted, string(f.Code))
		}
	}
	var left disk.Sector
	for _, d := range p.Plan.Dropped {
		left += d.Count
	}
	sentence = "Everything in use has its place on this card"
	if p.missing() > 0 {
		sentence = "Everything in use that is known has its place on this card"
	}
	if len(accepted) > 0 {
		sentence += ", but for what was accepted"
	}
	if left > 0 {
		sentence += fmt.Sprintf("; %s are left behind, and listed below", disk.Counted(left, "sector"))
	}
	sentence += "."
	state = p.state()
	if len(accepted) > 0 {
		state += "; with " + strings.Join(accepted, ", ") + " accepted"
	}
	if p.Starts != nil && p.Starts.Answer == starts.WillNot {
		state += "; a link of its boot code is broken: it will not start"
	}
	return sentence, state, state == "whole"
}

// changesPart says in at most six sentences what changes, and why.
func (p *Planned) changesPart() report.Part {
	const most = 6
	list := report.List(p.changes())
	if list == nil {
		return report.NewPart("What changes", report.Text("Nothing: every sector is copied as it is, to its own place."))
	}
	return report.NewPart("What changes, and why", list[:min(len(list), most)])
}

// changes says what changes, and why, a sentence each, the gravest first.
func (p *Planned) changes() (list []string) {
	total := map[layout.Reason]disk.Sector{}
	for i := range p.Plan.Pieces {
		total[p.Plan.Pieces[i].Why] += p.Plan.Pieces[i].Count
	}
	reasons := p.Plan.Reasons()
	slices.SortStableFunc(reasons, func(a, b layout.Reason) int { return gravity(a) - gravity(b) })
	for _, r := range reasons {
		if r != layout.WhyUnchanged {
			list = append(list, fmt.Sprintf("%s: %s.", disk.Counted(total[r], "sector"), whyTexts[r]))
		}
	}
	return list
}

// gravity orders reasons by what a person must know first: what is lost, what moves,
// what is made new, what is left.
func gravity(r layout.Reason) int {
	order := []layout.Reason{
		layout.WhyMissing, layout.WhyOtherCopy, layout.WhyEmptied, layout.WhyTailMoved, layout.WhyTailKept, layout.WhyRule,
		layout.WhyTable, layout.WhyTableCopy, layout.WhyVolume, layout.WhyVolumeMoved, layout.WhyNewIDs,
	}
	if i := slices.Index(order, r); i >= 0 {
		return i
	}
	return len(order)
}

func (p *Planned) piecesPart() report.Part {
	var why report.List
	for _, r := range p.Plan.Reasons() {
		why = append(why, fmt.Sprintf("%s: %s", r, whyTexts[r]))
	}
	return report.NewPart("Where every sector of the card comes from", pieceTable(p.Plan), why)
}

// startsPart says for each way of starting whether anything is found that stops it.
func startsPart(s *starts.Report) report.Part {
	t := report.NewTable("how | answer | why")
	for _, w := range s.Ways {
		why := slices.Concat(w.Broken, w.Cannot)
		if more := len(why) - maxStartLines; more > 0 {
			why = append(why[:maxStartLines:maxStartLines], fmt.Sprintf("and %s more", disk.Grouped(more)))
		}
		t.Add(methodText(w), startWords[w.Answer], strings.Join(why, "; "))
	}
	return report.NewPart("Will it start?", t, report.Text(noPromise))
}

// hexPart shows boot sectors that differ, old above new, by the rows of 16 bytes that do.
func hexPart(changed []MadeNew) report.Part {
	var b strings.Builder
	for _, c := range changed {
		fmt.Fprintf(&b, "sector %s\n", disk.Grouped(c.Sector))
		for at := 0; at+16 <= len(c.Old) && at+16 <= len(c.New); at += 16 {
			if old, now := c.Old[at:at+16], c.New[at:at+16]; !slices.Equal(old, now) {
				fmt.Fprintf(&b, "  byte %4d  drive %s\n             card  %s\n", at, spaced(old), spaced(now))
			}
		}
	}
	return report.Private("Boot sectors that are made new", report.Typed(b.String()))
}

func spaced(b []byte) string { return fmt.Sprintf("% X", b) }
