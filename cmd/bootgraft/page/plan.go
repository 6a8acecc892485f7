package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
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
	if p.Sees > 0 {
		u.Answerf("Device: it sees the first %s of it\n", disk.Counted(p.Sees, "sector"))
	}
	u.Answerf("Drive:  %s\n%s\n\n", disk.SizeText(p.Source.Sectors, p.Source.SectorSize), totalsText(p))
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
	u.Answerf("\nCheck number of this plan; two people who read its first 8 digits to each other\n"+
		"know whether they mean the same plan:\n  %s\n", digest)
}

func totalsText(p *plan.Plan) string {
	total := map[layout.Op]disk.Sector{}
	for _, q := range p.Pieces {
		total[q.Op] += q.Count
	}
	text := "Sectors:"
	sep := " "
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero, layout.Leave} {
		if total[op] > 0 {
			text += fmt.Sprintf("%s%s %s", sep, disk.Grouped(total[op]), opWords[op])
			sep = ", "
		}
	}
	return text
}

// pieceTable says where every sector of the card comes from.
func pieceTable(p *plan.Plan) report.Table {
	t := report.TableOf("card sector>15 | sectors>15 | are<11 | from sector>15 | why", len(p.Pieces), func(i int) []string {
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
	u.Answerf("\nNot all that may follow the size is proved. The tries, cheapest first:\n")
	for _, f := range tries {
		u.Wrapped(tryRows[f.Code], f.Text)
	}
	u.Answerf(
		"\nEach of them on a card, never on the original; --try N plans another one. " +
			"What\nthe device did to a card:\n\n  bootgraft compare --before PLAN --after CARD\n")
	return rest
}
