package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
)

// What is said where all is well.
const (
	asPlanned = "Every compared sector is as planned."
	asRead    = "Every span is what was read."
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
	for _, op := range ops {
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
	showSum(u, "", sumOfCompared, c.SHA256)
	if c.Unequal > 0 {
		differences(u, c)
		return
	}
	u.Answerf("%s\n", asPlanned)
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
	u.Answerf("%s\n", path)
	showSum(u, "", sumOfFile, c.SHA256.String())
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
		u.Answerf("%s\n", asRead)
	}
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
		b.Facts.Add("sector "+disk.Grouped(d.Sector), text)
	}
	for _, n := range c.Notes {
		b.Verdict = append(b.Verdict, "- "+n)
	}
	return b
}

// VerifiedAnswer is what a comparison with a plan found, for a page to print.
func VerifiedAnswer(c *safety.Comparison, opinions []second.Opinion) Answer {
	a := Answer{Verdict: asPlanned, Findings: Differing(opinions)}
	counts := report.NewTable("sectors> | are", []string{disk.Grouped(c.Compared), "compared"},
		[]string{disk.Grouped(c.Left), "not touched by the plan, and not compared"},
		[]string{disk.Grouped(c.Unequal), "different"})
	for _, op := range ops {
		if n := c.ByOp[op]; n > 0 {
			counts.Add(disk.Grouped(n), "of these should be "+shouldBe[op])
		}
	}
	a.First = []report.Part{report.NewPart("What was compared", counts, report.Valued(sumOfCompared, c.SHA256),
		report.Text(opinionLine(opinions))), report.NewPart("What the differences look like", report.List(c.Notes))}
	if len(c.Differences) > 0 {
		a.Then = differenceParts(c)
	}
	return a
}

// shouldBe says what sectors of a card should be.
var shouldBe = map[layout.Op]string{
	layout.Copy: "as on the drive", layout.Render: "as the plan makes them new", layout.Zero: "zeros",
}

// differenceParts lists what differs, and apart from that the bytes.
func differenceParts(c *safety.Comparison) []report.Part {
	t := report.TableOf("sector> | byte> | should be | why", len(c.Differences), func(i int) []string {
		d := &c.Differences[i]
		why := d.Why.String()
		if d.Note != "" {
			why += "; " + d.Note
		}
		return []string{disk.Grouped(d.Sector), fmt.Sprint(d.Offset), opWords[d.Op], why}
	})
	more := report.Text("")
	if n := c.Unequal - disk.Sector(len(c.Differences)); n > 0 {
		more = report.Textf("And %s more (--limit).", disk.Grouped(n))
	}
	return []report.Part{report.NewPart("Differences", t, more), report.Private("Their bytes",
		report.TableOf("sector> | byte> | wanted | found", len(c.Differences), func(i int) []string {
			d := &c.Differences[i]
			return []string{disk.Grouped(d.Sector), fmt.Sprint(d.Offset), d.Want, d.Have}
		}))}
}

// ArchiveAnswer is whether the image of a capture is what was read, for a page to print.
func ArchiveAnswer(c *capture.Check) Answer {
	t := report.NewTable("sectors> | are | where")
	for _, s := range []captureState{{"no longer what was read", c.Damaged},
		{"known, and no digest covers them", c.Unchecked}} {
		t.Add(disk.Grouped(s.spans.Sectors()), s.are, spanList(s.spans))
	}
	promised := noSum(c)
	if c.Promised != nil {
		promised = "SHA-256 that the record names: " + c.Promised.String()
	}
	return Answer{Verdict: asRead, State: archiveState(c),
		First: []report.Part{report.NewPart("What was compared", t,
			report.Valued(sumOfFile, c.SHA256.String()), report.Text(promised))}}
}

// archiveState is the one word for the image of a capture.
func archiveState(c *capture.Check) string {
	switch {
	case c.Damaged.Sectors() > 0 || c.Promised != nil && *c.Promised != c.SHA256:
		return "damaged"
	case c.Promised == nil && !c.Merged && !c.Complete:
		return "as it was read, and not read to its end"
	}
	return ""
}
