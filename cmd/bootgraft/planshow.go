package main

import (
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// words are the provenances as a person reads them.
var words = map[layout.Op]string{
	layout.Copy: "copied", layout.Render: "made new", layout.Zero: "zeros", layout.Leave: "not touched",
}

// maxPieceRows keeps the list of a plan with many pieces readable.
const maxPieceRows = 24

// showPlan writes a plan for a person: the card, then what is lost, then what
// to think about.
func (u *ui) showPlan(p *plan.Plan, digest string) {
	u.answerf("Card:   %s\nDrive:  %s\n%s\n\n", diskText(p.Target.Sectors, p.Target.SectorSize), diskText(p.Source.Sectors, p.Source.SectorSize), totalsText(p))
	u.showPieces(p)
	u.showReasons(p)
	u.showDropped(p)
	rest := u.showLadder(p.Findings)
	if len(rest) > 0 || len(p.Findings) == 0 {
		u.showFindings(rest)
	}
	u.answerf("\nCheck number of this plan:\n  %s\n", digest)
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
			text += fmt.Sprintf("%s%s %s", sep, grouped(total[op]), words[op])
			sep = ", "
		}
	}
	return text
}

func (u *ui) showPieces(p *plan.Plan) {
	u.answerf("%15s %15s  %-11s %15s  %s\n", "card sector", "sectors", "are", "from sector", "why")
	for i, q := range p.Pieces {
		if i == maxPieceRows && len(p.Pieces) > maxPieceRows+1 {
			u.answerf("%33s... and %s more pieces; all of them with --json\n", "", grouped(len(p.Pieces)-i))
			return
		}
		from := ""
		if q.Op == layout.Copy {
			from = grouped(q.From)
		}
		u.answerf("%15s %15s  %-11s %15s  %s\n", grouped(q.Start), grouped(q.Count), words[q.Op], from, q.Why)
	}
}

func (u *ui) showReasons(p *plan.Plan) {
	u.answerf("\n")
	for _, r := range p.Reasons() {
		u.wrapped(fmt.Sprintf("  %-18s ", r), r.Text())
	}
}

func (u *ui) showDropped(p *plan.Plan) {
	if len(p.Dropped) == 0 {
		u.answerf("\nNothing of the drive is left behind.\n")
		return
	}
	u.answerf("\nNot carried:\n%15s %15s\n", "drive sector", "sectors")
	for i, d := range p.Dropped {
		if i == maxPieceRows && len(p.Dropped) > maxPieceRows+1 {
			u.answerf("%33s... and %s more; all of them with --json\n", "", grouped(len(p.Dropped)-i))
			return
		}
		u.wrapped(fmt.Sprintf("%15s %15s  ", grouped(d.Start), grouped(d.Count)), d.Name+": "+d.Why)
	}
}
