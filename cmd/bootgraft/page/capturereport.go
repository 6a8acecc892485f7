package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/image/ata"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// CaptureAnswer is what is safe of a drive, and what is not, for a page to print.
func CaptureAnswer(r *capture.Result, said ata.Drive) Answer {
	a := Answer{Findings: r.Findings,
		Verdict: fmt.Sprintf("%s of %s are read.", disk.Grouped(r.Read), disk.Counted(r.Sectors, "sector"))}
	t := report.NewTable("sectors> | are | where", []string{disk.Grouped(r.Read), "read", ""})
	var means report.List
	for _, s := range captureStates(r) {
		if n := s.spans.Sectors(); n > 0 {
			word, _, _ := strings.Cut(s.are, ":")
			t.Add(disk.Grouped(n), word, spanList(s.spans))
			means = append(means, s.are)
		}
	}
	read := report.NewPart("What was read", t)
	if means != nil {
		read.Blocks = append(read.Blocks, means)
	}
	if r.Clock.Errors > 0 {
		read.Blocks = append(read.Blocks, report.Textf("%s of the drive, %s of them failed.",
			disk.Counted(r.Clock.Reads, "read"), disk.Grouped(r.Clock.Errors)))
	}
	if line := DriveLine(said); line != "" {
		read.Blocks = append(read.Blocks, report.Text(line))
	}
	if r.SHA256 != nil {
		read.Blocks = append(read.Blocks, report.Text("SHA-256 of the image file as it lies: "+r.SHA256.String()))
	}
	a.First = []report.Part{read}
	worth := report.NewTable("what | sectors> | safe> | lost> | left out> | to come>")
	for _, c := range capture.Classes {
		if k := r.Classes[c]; k.Total > 0 {
			worth.Add(classTexts[c], disk.Grouped(k.Total), disk.Grouped(k.Safe), disk.Grouped(k.Lost),
				disk.Grouped(k.Skipped), disk.Grouped(k.Left()))
		}
	}
	if worth.Rows != nil {
		a.Then = []report.Part{report.NewPart("In the order in which it was read", worth)}
	}
	return a
}

// MergedPart is what each of two captures gave. a and b are what they are called.
func MergedPart(m *capture.Merged, a, b string) report.Part {
	p := report.NewPart("Where its sectors come from", report.NewTable("sectors> | from",
		[]string{disk.Grouped(m.FromA), a}, []string{disk.Grouped(m.FromB), b}))
	if n := m.Contradictions.Sectors(); n > 0 {
		p.Blocks = append(p.Blocks, report.Textf("%s known in both and different; those of %s were taken: %s.",
			disk.Counted(n, "sector"), a, spanList(m.Contradictions)))
	}
	return p
}
