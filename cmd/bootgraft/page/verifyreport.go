package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
	"bootgraft/safety/archive"
)

// VerifiedAnswer is what a comparison with a plan found, for a page to print.
func VerifiedAnswer(c *safety.Comparison, opinions []second.Opinion) Answer {
	a := Answer{Verdict: "Every compared sector is as planned.", Findings: Differing(opinions)}
	counts := report.NewTable("sectors> | are", []string{disk.Grouped(c.Compared), "compared"},
		[]string{disk.Grouped(c.Left), "not touched by the plan, and not compared"},
		[]string{disk.Grouped(c.Unequal), "different"})
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero} {
		if n := c.ByOp[op]; n > 0 {
			counts.Add(disk.Grouped(n), "of these should be "+shouldBe[op])
		}
	}
	p := report.NewPart("What was compared", counts)
	if c.SHA256 != "" {
		p.Blocks = append(p.Blocks, report.Text("SHA-256 of the compared sectors: "+c.SHA256))
	}
	if line := second.Summary(opinions); line != "" {
		p.Blocks = append(p.Blocks, report.Text(line+"."))
	}
	a.First = []report.Part{p}
	if len(c.Notes) > 0 {
		a.First = append(a.First, report.NewPart("What the differences look like", report.List(c.Notes)))
	}
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
	p := report.NewPart("Differences", t)
	if more := c.Unequal - disk.Sector(len(c.Differences)); more > 0 {
		p.Blocks = append(p.Blocks, report.Textf("And %s more (--limit).", disk.Grouped(more)))
	}
	return []report.Part{p, report.Private("Their bytes",
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
	return Answer{Verdict: "Every span is what was read.", State: archiveState(c),
		First: []report.Part{report.NewPart("What was compared", t,
			report.Text("SHA-256 of the file as it lies: "+c.SHA256.String()), report.Text(promised))}}
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

// FolderAnswer is what an archive looks like today, for a page to print.
func FolderAnswer(f *archive.Found) Answer {
	counts := report.NewTable("files> | are", []string{disk.Grouped(f.Files), "in its list"})
	parts := []report.Part{{}}
	for _, p := range notAsWritten(f) {
		counts.Add(disk.Grouped(len(p.names)), p.what)
		if len(p.names) > 0 {
			parts = append(parts, report.Private(fmt.Sprintf("Files that are %s: %s", p.what, disk.Grouped(len(p.names))),
				report.ListOf("file", p.names)))
		}
	}
	parts[0] = report.NewPart("What was compared", counts)
	return Answer{Verdict: asWritten, First: parts}
}

// StartsAnswer is whether a planned card starts, and what was followed to say so.
func StartsAnswer(r *starts.Report) Answer {
	a := Answer{Verdict: "Nothing is found that stops the planned card from starting.",
		First: []report.Part{startsPart(r)}}
	if r.Answer == starts.CannotKnow {
		a.Verdict = "Whether the planned card starts cannot be known without trying."
	}
	for _, w := range r.Ways {
		if len(w.Chain) > 0 {
			a.First = append(a.First, report.NewPart("What holds: "+methodText(w), report.ListOf("link", w.Chain)))
		}
	}
	return a
}
