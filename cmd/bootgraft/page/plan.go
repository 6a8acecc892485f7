package page

import (
	"fmt"
	"slices"

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
	u.Answerf("Card:   %s\nDrive:  %s\n%s\n\n", disk.SizeText(p.Target.Sectors, p.Target.SectorSize),
		disk.SizeText(p.Source.Sectors, p.Source.SectorSize), totalsText(p))
	showPieces(u, p)
	showReasons(u, p)
	showDropped(u, p)
	rest := showLadder(u, p.Findings)
	if len(rest) > 0 || len(p.Findings) == 0 {
		Findings(u, rest)
	}
	u.Answerf("\nCheck number of this plan:\n  %s\n", digest)
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

func showPieces(u *talk.UI, p *plan.Plan) {
	u.Answerf("%15s %15s  %-11s %15s  %s\n", "card sector", "sectors", "are", "from sector", "why")
	for i, q := range p.Pieces {
		if i == maxPieceRows && len(p.Pieces) > maxPieceRows+1 {
			u.Answerf("%33s... and %s more pieces; all of them with --json\n", "", disk.Grouped(len(p.Pieces)-i))
			return
		}
		from := ""
		if q.Op == layout.Copy {
			from = disk.Grouped(q.From)
		}
		u.Answerf("%15s %15s  %-11s %15s  %s\n", disk.Grouped(q.Start), disk.Grouped(q.Count), opWords[q.Op], from, q.Why)
	}
}

func showReasons(u *talk.UI, p *plan.Plan) {
	u.Answerf("\n")
	for _, r := range p.Reasons() {
		u.Wrapped(fmt.Sprintf("  %-18s ", r), r.Text())
	}
}

func showDropped(u *talk.UI, p *plan.Plan) {
	if len(p.Dropped) == 0 {
		u.Answerf("\nNothing of the drive is left behind.\n")
		return
	}
	u.Answerf("\nNot carried:\n%15s %15s\n", "drive sector", "sectors")
	for i, d := range p.Dropped {
		if i == maxPieceRows && len(p.Dropped) > maxPieceRows+1 {
			u.Answerf("%33s... and %s more; all of them with --json\n", "", disk.Grouped(len(p.Dropped)-i))
			return
		}
		u.Wrapped(fmt.Sprintf("%15s %15s  ", disk.Grouped(d.Start), disk.Grouped(d.Count)), d.Name+": "+d.Why)
	}
}

// isTry tells whether a finding is a try of the ladder.
func isTry(f disk.Finding) bool { return f.Code == disk.ThisTry || f.Code == disk.FurtherTry }

// showLadder lists the tries of an unknown layout apart from other findings,
// and returns what is left.
func showLadder(u *talk.UI, findings []disk.Finding) []disk.Finding {
	if !slices.ContainsFunc(findings, isTry) {
		return findings
	}
	u.Answerf("\nNobody knows this layout. The tries, cheapest first:\n")
	for _, f := range findings {
		switch f.Code {
		case disk.ThisTry:
			u.Wrapped("  this plan  ", f.Text)
		case disk.FurtherTry:
			u.Wrapped("             ", f.Text)
		}
	}
	u.Answerf(
		"\nEach of them on a card, never on the original; --try N plans another one. " +
			"What\nthe device did to a card:\n\n  bootgraft compare --before PLAN --after CARD\n")
	return slices.DeleteFunc(slices.Clone(findings), isTry)
}
