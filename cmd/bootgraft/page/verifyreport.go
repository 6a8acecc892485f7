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
	counts := report.Table{Head: []string{"sectors", "are"}, Right: []bool{true}, Rows: [][]string{
		{disk.Grouped(c.Compared), "compared"}, {disk.Grouped(c.Left), "not touched by the plan, and not compared"},
		{disk.Grouped(c.Unequal), "different"},
	}}
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero} {
		if n := c.ByOp[op]; n > 0 {
			counts.Rows = append(counts.Rows, []string{disk.Grouped(n), "of these should be " + shouldBe[op]})
		}
	}
	p := report.Part{Heading: "What was compared", Blocks: []report.Block{counts}}
	if c.SHA256 != "" {
		p.Blocks = append(p.Blocks, report.Text("SHA-256 of the compared sectors: "+c.SHA256))
	}
	if line := opinionLine(opinions); line != "" {
		p.Blocks = append(p.Blocks, report.Text(line))
	}
	a.First = []report.Part{p}
	if len(c.Notes) > 0 {
		a.First = append(a.First, report.Part{Heading: "What the differences look like",
			Blocks: []report.Block{report.List(c.Notes)}})
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
	t := rows([]string{"sector", "byte", "should be", "why"}, []bool{true, true}, len(c.Differences),
		func(i int) []string {
			d := &c.Differences[i]
			why := d.Why.String()
			if d.Note != "" {
				why += "; " + d.Note
			}
			return []string{disk.Grouped(d.Sector), fmt.Sprint(d.Offset), opWords[d.Op], why}
		})
	p := report.Part{Heading: "Differences", Blocks: []report.Block{t}}
	if more := c.Unequal - disk.Sector(len(c.Differences)); more > 0 {
		p.Blocks = append(p.Blocks, report.Text(fmt.Sprintf("And %s more (--limit).", disk.Grouped(more))))
	}
	return []report.Part{p, {Heading: "Their bytes", Private: true, Blocks: []report.Block{
		rows([]string{"sector", "byte", "wanted", "found"}, []bool{true, true}, len(c.Differences), func(i int) []string {
			d := &c.Differences[i]
			return []string{disk.Grouped(d.Sector), fmt.Sprint(d.Offset), d.Want, d.Have}
		})}}}
}

// ArchiveAnswer is whether the image of a capture is what was read, for a page to print.
func ArchiveAnswer(c *capture.Check) Answer {
	t := report.Table{Head: []string{"sectors", "are", "where"}, Right: []bool{true}}
	for _, s := range []captureState{{"no longer what was read", c.Damaged},
		{"known, and no digest covers them", c.Unchecked}} {
		t.Rows = append(t.Rows, []string{disk.Grouped(s.spans.Sectors()), s.are, spanList(s.spans)})
	}
	promised := "The record names none for the whole file: the capture was not brought to its end."
	if c.Promised != nil {
		promised = "SHA-256 that the record names: " + c.Promised.String()
	}
	return Answer{Verdict: "Every span is what was read.", State: archiveState(c),
		First: []report.Part{{Heading: "What was compared", Blocks: []report.Block{t,
			report.Text("SHA-256 of the file as it lies: " + c.SHA256.String()),
			report.Text(promised)}}}}
}

// archiveState is the one word for the image of a capture.
func archiveState(c *capture.Check) string {
	switch {
	case c.Damaged.Sectors() > 0 || c.Promised != nil && *c.Promised != c.SHA256:
		return "damaged"
	case c.Promised == nil:
		return "as it was read, and not read to its end"
	}
	return ""
}

// FolderAnswer is what an archive looks like today, for a page to print.
func FolderAnswer(f *archive.Found) Answer {
	a := Answer{Verdict: "Every file is as it was written."}
	for _, p := range []struct {
		what  string
		names []string
	}{{"damaged", f.Damaged}, {"missing", f.Missing}, {"added", f.Added}} {
		t := rows([]string{"file"}, nil, len(p.names), func(i int) []string { return []string{p.names[i]} })
		if len(p.names) > 0 {
			a.First = append(a.First, report.Part{Heading: fmt.Sprintf("Files that are %s: %s", p.what,
				disk.Grouped(len(p.names))), Private: true, Blocks: []report.Block{t}})
		}
	}
	counts := report.Table{Head: []string{"files", "are"}, Right: []bool{true}, Rows: [][]string{
		{disk.Grouped(f.Files), "in its list"}, {disk.Grouped(len(f.Damaged)), "damaged"},
		{disk.Grouped(len(f.Missing)), "missing"}, {disk.Grouped(len(f.Added)), "added"}}}
	a.First = append([]report.Part{{Heading: "What was compared", Blocks: []report.Block{counts}}}, a.First...)
	return a
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
			a.First = append(a.First, report.Part{Heading: "What holds: " + methodText(w), Blocks: []report.Block{
				rows([]string{"link"}, nil, len(w.Chain), func(i int) []string { return []string{w.Chain[i]} })}})
		}
	}
	return a
}
