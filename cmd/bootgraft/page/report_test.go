package page

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/capture/audio"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan/files"
	"bootgraft/safety/rescue"
)

// inventedDrive is the drive of inventedMap, of which two sectors are not known, with so
// many files that each lost one of theirs.
func inventedDrive(damaged int) *Drive {
	d := &Drive{Path: "old.img", Map: inventedMap(), Sector0: make([]byte, 512), Program: "bootgraft 1.0", Files: &rescue.Result{Damaged: damaged}}
	d.Faults.Missing = disk.Spans{{Start: 60, Count: 2}}
	d.Map.Table = "mbr"
	for i := range damaged {
		hole := rescue.Hole{Range: files.Range{Start: 44_144, Count: 512}, Time: &audio.Span{From: time.Second, To: 1250 * time.Millisecond}}
		d.Files.Files = append(d.Files.Files, rescue.File{Path: fmt.Sprintf("TAKES/%03d.WAV", i), Volume: 1, Size: 90_000, Missing: []rescue.Hole{hole}})
	}
	return d
}

// inventedPlan carries that drive to a larger card.
func inventedPlan() *plan.Plan {
	return &plan.Plan{
		Target: plan.Size{Sectors: 614_400, SectorSize: 512}, Source: plan.Source{Size: plan.Size{Sectors: 524_160, SectorSize: 512}},
		Pieces: []layout.Piece{
			{Span: disk.Span{Count: 1}, Op: layout.Render, Why: layout.WhyTable},
			{Span: disk.Span{Start: 1, Count: 59}, Op: layout.Copy, Why: layout.WhyUnchanged, From: 1},
			{Span: disk.Span{Start: 60, Count: 2}, Op: layout.Zero, Why: layout.WhyMissing},
			{Span: disk.Span{Start: 62, Count: 523_842}, Op: layout.Copy, Why: layout.WhyUnchanged, From: 62},
			{Span: disk.Span{Start: 523_904, Count: 90_240}, Op: layout.Leave, Why: layout.WhyExcess},
			{Span: disk.Span{Start: 614_144, Count: 256}, Op: layout.Copy, Why: layout.WhyTailMoved, From: 523_904},
		},
		Findings: inventedMap().Findings,
	}
}

// reports are pages from invented values, one for each pair of golden files.
func reports() map[string]*report.Report {
	d := inventedDrive(2)
	planned := &Planned{Drive: d, Plan: inventedPlan(), Digest: "0123456789abcdef", Target: inventedPlan().Target,
		Next: []string{"bootgraft write card.plan card.img"}}
	planned.Anew = []MadeNew{{Sector: 0, Old: make([]byte, 16), New: []byte("0123456789abcdef")}}
	m := &kit.Manifest{Sectors: 524_160, SectorSize: 512, Facts: kit.Facts{Table: "mbr"},
		Spans:    []kit.Span{{Span: disk.Span{Count: 63}, From: layout.FromStart, What: "head", State: kit.Stored}},
		Identity: []kit.Mark{{Offset: 440, Count: 4, What: "disk id"}}}
	outcome := func(title string, a Answer) *report.Report {
		return OutcomeReport(Outcome{Title: title, Answer: a, Program: "bootgraft 1.0"}, nil, nil)
	}
	out := outcomePages(d, planned)
	for name, r := range map[string]*report.Report{
		"survey":  SurveyReport(d, "bootgraft plan old.img --size Ns -o card.plan"),
		"plan":    PlanReport(planned),
		"refused": PlanReport(&Planned{Drive: d, Target: plan.Size{Sectors: 600, SectorSize: 512}, Smallest: 504_063, Why: inventedMap().Findings[1:]}),
		"changed": outcome("What a device did to a card", ChangedAnswer(inventedChanges(), "", Advice{
			RulesOut: "the supply", Note: "its words", Next: "another try", Typed: []string{"bootgraft plan --like card.plan"}})),
		"compare": outcome("What follows the size", ComparisonAnswer(sevenReadings())),
		"kit":     outcome("What is in a kit", KitAnswer(m, []kit.Text{{Sector: 20, Offset: 7, Text: "made in the bramble works"}}, 1, nil, nil)),
	} {
		out[name] = r
	}
	return out
}

// TestReportPages: each page is what its golden files say, as text and for a forum, and no
// line of the text is wider than 80 columns but what is typed.
func TestReportPages(t *testing.T) {
	for name, r := range reports() {
		for form, got := range map[string]string{"txt": string(r.Plain()), "md": string(r.Redacted(inventedDrive(2).Names()).Markdown())} {
			file := filepath.Join("testdata", "reports", name+"."+form)
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if want, err := os.ReadFile(file); err != nil || got != string(want) {
				t.Errorf("%s.%s is now (%v)\n%s", name, form, err, got)
			}
			for _, line := range strings.Split(got, "\n") {
				if form == "txt" && words.Cells(line) > 80 && !strings.HasPrefix(line, "  ") {
					t.Errorf("%s.%s: too wide: %q", name, form, line)
				}
			}
		}
	}
	if files, err := filepath.Glob("testdata/reports/*"); err != nil || len(files) != 2*len(reports()) {
		t.Errorf("%d golden files for %d pages (%v)", len(files), len(reports()), err)
	}
}

// TestEveryReasonHasWords: a page says of every reason of a plan what it means.
func TestEveryReasonHasWords(t *testing.T) {
	for _, r := range layout.Reasons() {
		if whyTexts[r] == "" {
			t.Errorf("nothing is said of %s", r)
		}
	}
	if len(whyTexts) != len(layout.Reasons()) {
		t.Errorf("%d texts for %d reasons", len(whyTexts), len(layout.Reasons()))
	}
}

// TestManyDamagedFiles: a page names ten of them, with their seconds, counts the others, and
// says how all are listed.
func TestManyDamagedFiles(t *testing.T) {
	text := strings.Join(strings.Fields(string(SurveyReport(inventedDrive(100), "").Plain())), " ")
	if n := strings.Count(text, "sound from 00:01.0 to 00:01.3"); n != 10 {
		t.Errorf("%d damaged files are named with their seconds", n)
	}
	for _, want := range []string{"100 files damaged", "Damaged files: 100 of 100", "And 90 more", "bootgraft files old.img --brief"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not said", want)
		}
	}
}

// TestPageOfManyPieces: the page of the largest plan has at most 1 MiB, and counts what it
// draws together.
func TestPageOfManyPieces(t *testing.T) {
	const n = 262_144
	d := &Drive{Path: "old.img", Program: "bootgraft 1.0", Map: &layout.Map{Sectors: 2 * n, SectorSize: 512, Table: "none", Regions: []layout.Region{
		{Span: disk.Span{Count: 2 * n}, Role: layout.RoleUnknown, Name: "all", Content: layout.Content{Looked: true, NonBlank: 2 * n}}}}}
	p := &plan.Plan{Target: plan.Size{Sectors: 2 * n, SectorSize: 512}, Source: plan.Source{Size: plan.Size{Sectors: 2 * n, SectorSize: 512}}}
	for i := range disk.Sector(n) {
		q := layout.Piece{Span: disk.Span{Start: 2 * i, Count: 2}, Op: layout.Copy, From: 2 * i, Why: layout.WhyUnchanged}
		if i%2 == 1 {
			q = layout.Piece{Span: q.Span, Op: layout.Zero, Why: layout.WhyMissing}
			d.Faults.Missing = append(d.Faults.Missing, q.Span)
		}
		p.Pieces = append(p.Pieces, q)
		p.Findings = append(p.Findings, disk.Warningf(disk.BootAreaCut, q.Start, "a warning about one of many places, %d", i))
	}
	page, err := PlanReport(&Planned{Drive: d, Plan: p, Digest: "0123456789", Target: p.Target}).HTML()
	if err != nil {
		t.Fatal(err)
	}
	if len(page) > 1<<20 {
		t.Errorf("the page has %d bytes", len(page))
	}
	if !strings.Contains(string(page), "262,144 pieces of the plan, drawn as") {
		t.Error("what is drawn together is not counted")
	}
}

// TestPageOfOneSector: a disk of one sector, and one whose sectors have 4,096 bytes, have
// pages as well.
func TestPageOfOneSector(t *testing.T) {
	for _, size := range []int{512, 4096} {
		d := &Drive{Path: "x.img", Program: "bootgraft 1.0", Map: &layout.Map{Sectors: 1, SectorSize: size, Table: "none", Regions: []layout.Region{
			{Span: disk.Span{Count: 1}, Role: layout.RoleUnknown, Name: "all", Content: layout.Content{Looked: true, Blank: true}}}}}
		page, err := SurveyReport(d, "").HTML()
		if err != nil || !strings.Contains(string(page), disk.SizeText(1, size)) || strings.Contains(string(page), "NaN") {
			t.Errorf("sectors of %d bytes: %v\n%.1500s", size, err, page)
		}
	}
}
