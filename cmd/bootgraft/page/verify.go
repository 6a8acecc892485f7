package page

import (
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
)

// differences lists what is not on a card as it is planned.
func differences(u *talk.UI, c *safety.Comparison) {
	u.Answerf("\n%13s %5s  %-8s %-17s %s\n", "sector", "byte", "", "why", "wanted / found")
	for _, d := range c.Differences {
		u.Answerf("%13s %5d  %-8s %-17s %s\n%48s%s\n", disk.Grouped(d.Sector), d.Offset, opWords[d.Op], d.Why, d.Want, "",
			d.Have)
		if d.Note != "" {
			u.Wrapped("                         ", d.Note)
		}
	}
	if more := c.Unequal - disk.Sector(len(c.Differences)); more > 0 {
		u.Answerf("%13s ... and %s more (--limit)\n", "", disk.Grouped(more))
	}
	u.Answerf("\n")
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero} {
		if n := c.ByOp[op]; n > 0 {
			u.Answerf("  differ that should be %s: %s\n", opWords[op], disk.Counted(n, "sector"))
		}
	}
	for _, n := range c.Notes {
		u.Wrapped("  ", n)
	}
}

// Verified says what a comparison with a plan found.
func Verified(u *talk.UI, target string, c *safety.Comparison, opinions []second.Opinion) {
	u.Answerf("%s: %s compared", target, disk.Counted(c.Compared, "sector"))
	if c.Left > 0 {
		u.Answerf("; %s not touched by the plan", disk.Grouped(c.Left))
	}
	u.Answerf("\n")
	if c.SHA256 != "" {
		u.Answerf("SHA-256 of the compared sectors:\n  %s\n", c.SHA256)
	}
	if c.Unequal > 0 {
		differences(u, c)
		return
	}
	u.Answerf("Every compared sector is as planned.\n")
	SecondReader(u, opinions)
	if worth := Differing(opinions); len(worth) > 0 {
		Findings(u, worth)
	}
}

// noSum says why a record names no SHA-256 of the whole file.
func noSum(c *capture.Check) string {
	why := "the capture was not brought to its end"
	switch {
	case c.Merged:
		why = "two captures were merged into it"
	case c.Complete:
		why = "the last run left that out"
	}
	return "The record names none for the whole file: " + why + "."
}

// Archive says whether the image of a capture is what was read.
func Archive(u *talk.UI, path string, c *capture.Check) {
	u.Answerf("%s\nSHA-256 of the file as it lies:\n  %s\n", path, c.SHA256)
	switch {
	case c.Promised == nil:
		u.Answerf("%s\n", noSum(c))
	case *c.Promised == c.SHA256:
		u.Answerf("That is what the record says.\n")
	default:
		u.Answerf("The record says:\n  %s\n", *c.Promised)
	}
	if n := c.Unchecked.Sectors(); n > 0 {
		u.Answerf("%s no digest covers:\n", disk.Counted(n, "known sector"))
		Spans(u, c.Unchecked)
	}
	if n := c.Damaged.Sectors(); n > 0 {
		u.Answerf("%s in spans that are no longer what was read:\n", disk.Counted(n, "sector"))
		Spans(u, c.Damaged)
	} else if c.Promised == nil || *c.Promised == c.SHA256 {
		u.Answerf("Every span is what was read.\n")
	}
}
