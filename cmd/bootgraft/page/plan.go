package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/starts"
)

// opWords are the provenances as a person reads them.
var opWords = map[layout.Op]string{
	layout.Copy: "copied", layout.Render: "made new", layout.Zero: "zeros", layout.Leave: "not touched",
}

// maxPieceRows keeps the list of a plan with many pieces readable.
const maxPieceRows = 24

// Plan writes a plan for a person: the card, then what is lost, then what
// to think about.
func Plan(u *talk.UI, p *plan.Plan, digest string) {
	u.Answerf("Card:   %s\n", disk.SizeText(p.Target.Sectors, p.Target.SectorSize))
	if text := seesText(p); text != "" {
		u.Answerf("Device: %s\n", text)
	}
	u.Answerf("Drive:  %s\nSectors: %s\n\n", disk.SizeText(p.Source.Sectors, p.Source.SectorSize), totalsText(p))
	u.Answerf("%s\n", pieceTable(p).Screen())
	for _, r := range p.Reasons() {
		u.Wrapped(fmt.Sprintf("  %-18s ", r), whyTexts[r])
	}
	if len(p.Dropped) > 0 {
		u.Answerf("%s", report.Screen(droppedPart(p)))
	} else {
		u.Answerf("\nNothing of the drive is left behind.\n")
	}
	rest := showLadder(u, p.Findings)
	if len(rest) > 0 || len(p.Findings) == 0 {
		Findings(u, rest)
	}
	u.Answerf("\n%s  %s\n", words.Fold("", "Check number of this plan; two people who read its first 8 digits to each "+
		"other know whether they mean the same plan:"), digest)
}

// seesText is how much of the card its device sees; nothing where that is all of it.
func seesText(p *plan.Plan) string {
	if p.Sees == 0 {
		return ""
	}
	return fmt.Sprintf("it sees the first %s of it", disk.Counted(p.Sees, "sector"))
}

// ops are the provenances in the order in which they are told.
var ops = []layout.Op{layout.Copy, layout.Render, layout.Zero, layout.Leave}

func totalsText(p *plan.Plan) string {
	var out []string
	for _, op := range ops {
		if n := p.Sectors(op); n > 0 {
			out = append(out, disk.Grouped(n)+" "+opWords[op])
		}
	}
	return strings.Join(out, ", ")
}

// pieceTable says where every sector of the card comes from.
func pieceTable(p *plan.Plan) report.Table {
	const columns = "card sector>15 | sectors>15 | are<11 | from sector>15 | why"
	t := report.TableOf(columns, len(p.Pieces), func(i int) []string {
		q, from := &p.Pieces[i], ""
		if q.Op == layout.Copy {
			from = disk.Grouped(q.From)
		}
		return []string{disk.Grouped(q.Start), disk.Grouped(q.Count), opWords[q.Op], from, q.Why.String()}
	})
	t.Most, t.Short, t.Rest = maxPieceRows, maxPieceRows, " pieces; all of them with --json"
	return t
}

// droppedPart says what of the drive gets no place.
func droppedPart(p *plan.Plan) report.Part {
	t := report.TableOf("drive sector>15 | sectors>15 | (what) | (why)", len(p.Dropped), func(i int) []string {
		d := &p.Dropped[i]
		return []string{disk.Grouped(d.Start), disk.Grouped(d.Count), d.Name, d.Why}
	})
	t.Most, t.Short = maxPieceRows, maxPieceRows
	return report.NewPart("Left behind", t)
}

// tryRows are the codes of the tries where not all is known, and what stands before
// each on the page.
var tryRows = map[disk.Code]string{disk.ThisTry: "  this plan  ", disk.FurtherTry: "             "}

// showLadder lists the tries apart from other findings,
// and returns what is left.
func showLadder(u *talk.UI, findings []disk.Finding) (rest []disk.Finding) {
	var tries []disk.Finding
	for _, f := range findings {
		if _, isTry := tryRows[f.Code]; isTry {
			tries = append(tries, f)
		} else {
			rest = append(rest, f)
		}
	}
	if len(tries) == 0 {
		return findings
	}
	u.Answerf("\n%s", words.Fold("", "Not all that may follow the size is proved. The tries, cheapest first:"))
	for _, f := range tries {
		u.Wrapped(tryRows[f.Code], f.Text)
	}
	u.Next("Each of them on a card, never on the original; --try N plans another one. What the device did to a card:",
		"bootgraft compare --before PLAN --after CARD")
	return rest
}

// PlanBrief is the first screen about a plan. next is what to type.
func PlanBrief(p *Planned, next func(u *talk.UI)) *Brief {
	sentence, _, _ := p.verdict()
	b := &Brief{Verdict: []string{sentence}, Findings: p.Plan.Findings, Next: next}
	b.Facts.Add("card", disk.SizeText(p.Plan.Target.Sectors, p.Plan.Target.SectorSize))
	b.Facts.Add("device", seesText(p.Plan))
	b.Facts.Add("drive", disk.SizeText(p.Plan.Source.Sectors, p.Plan.Source.SectorSize))
	b.Facts.Add("sectors", totalsText(p.Plan))
	changes := p.changes()
	b.Facts.Add("changes", changes[:min(len(changes), 3)]...)
	if p.Starts != nil {
		for _, w := range p.Starts.Ways {
			b.Facts.Add("starts?", wayText(w))
		}
	}
	b.Facts.Add("check no.", short(p.Digest)+" ..., to tell this plan from others")
	return b
}

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
	r.Aloud.Add("sectors of the drive", disk.Grouped(p.Map.Sectors))
	r.Aloud.Add("sectors of the card", disk.Grouped(p.Target.Sectors))
	r.Verdict = fmt.Sprintf("This card of %s is not planned, and nothing was written.",
		disk.Counted(p.Target.Sectors, "sector"))
	switch {
	case len(p.Why) > 0 && p.Smallest > 0:
		r.State = fmt.Sprintf("does not fit: the smallest card that would do has %s", disk.Counted(p.Smallest, "sector"))
	case len(p.Why) > 0:
		r.State = "cannot be planned like this"
	default:
		r.State = onlyIf(codesOf(p.Need))
	}
	r.Add(findingsPart(slices.Concat(p.Why, p.Need)))
	r.Add(p.damagedPart(), drawn("The drive", drawing.New(p.Map, nil, p.Faults)), p.bootPart(), cautionsPart())
	r.Forum = p.numbers(report.Fact{Name: "card sectors", Value: disk.Grouped(p.Target.Sectors)})
}

// verdict is the plan in one sentence, and its state.
func (p *Planned) verdict() (sentence, state string, good bool) {
	accepted := codesOf(slices.DeleteFunc(slices.Clone(p.Plan.Findings),
		func(f disk.Finding) bool { return !f.Accepted }))
	left := p.Plan.Behind()
	sentence = "Everything in use has its place on this card"
	if p.missing() > 0 {
		sentence = "Everything in use that is known has its place on this card"
	}
	if len(accepted) > 0 {
		sentence += ", but for what was accepted"
	}
	if left > 0 {
		sentence += "; " + sectors(left, "are left behind, and listed below")
	}
	sentence += "."
	state = p.state()
	if len(accepted) > 0 {
		state += "; with " + codeList(accepted) + " accepted"
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

// whyTexts say for the bench why a piece of a card is what it is. A plan file keeps texts of
// its own, which must stay as they are.
var whyTexts = map[layout.Reason]string{
	layout.WhyUnchanged:   "the same bytes at the same place as on the drive",
	layout.WhyTailMoved:   "the tail, which devices look for at the end of a disk, copied to the end of the card",
	layout.WhyTailKept:    "the tail once more where the drive had it, for firmware that looks for it there",
	layout.WhyTable:       "the partition table: its sizes follow the card, all else of it is as on the drive",
	layout.WhyTableCopy:   "the second copy of the partition table, at the end of the card",
	layout.WhyOldTable:    "where the second copy of the partition table was on the drive",
	layout.WhyExcess:      "the card is larger than the drive: nothing of the drive belongs here",
	layout.WhyMissing:     "the drive could not be read here: zeros stand in for what is missing",
	layout.WhyNewIDs:      "identifiers of another unit, or drawn anew, as you asked",
	layout.WhyVolume:      "what a volume of another size needs: its boot sectors, tables and directory entries",
	layout.WhyVolumeMoved: "files and directories that had to move within their volume",
	layout.WhyVolumeFree:  "room of a volume that no file uses",
	layout.WhyRule:        "numbers and checksums that follow the size of the card, by a rule that originals prove",
	layout.WhyEmptied:     "the volume begins empty, as you asked",
	layout.WhyOtherCopy:   "the drive could not be read here: a second copy, elsewhere on it, gives these bytes",
}
