package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/safety"
)

// Written says what was written to an image file; again is what verify is given.
func Written(u *talk.UI, target string, res safety.Result, sectorSize int, again string) {
	u.Answerf("%s is written: %s\n", target, disk.SizeText(res.Sectors, sectorSize))
	u.Answerf("  %s written", disk.Counted(res.Written, "sector"))
	if res.Left > 0 {
		u.Answerf(", %s not touched: holes in an image file", disk.Grouped(res.Left))
	}
	u.Answerf("\n")
	showSum(u, "  ", sumOfWritten, res.SHA256)
	u.Next("Next, compare every sector with the plan:", "bootgraft verify "+again)
}

// ZerosText says that work is done, and that a card lacks what its source does not know.
func ZerosText(n disk.Sector) string {
	return "done, but " + sectors(n, "that the source does not know are zeros on the card")
}

// writtenTable counts what was written to a card.
func writtenTable(written disk.Sector, are string, left disk.Sector, leftAre string, missing disk.Sector) report.Table {
	t := report.NewTable("sectors> | are", []string{disk.Grouped(written), are}, []string{disk.Grouped(left), leftAre})
	if missing > 0 {
		t.Add(disk.Grouped(missing), "zeros, because the source does not know them")
	}
	return t
}

// ImageAnswer is what was written to an image file, for a page to print; again is what
// verify is given.
func ImageAnswer(target string, res safety.Result, sectorSize int, again string) Answer {
	return Answer{Verdict: fmt.Sprintf("%s is written: %s.", target, disk.SizeText(res.Sectors, sectorSize)),
		Next: []string{"bootgraft verify " + again}, First: []report.Part{report.NewPart("What was written",
			writtenTable(res.Written, "written", res.Left, "not touched: holes in an image file", res.Missing),
			report.Valued(sumOfWritten, res.SHA256))}}
}
