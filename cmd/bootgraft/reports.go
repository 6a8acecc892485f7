package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/safety"
	"bootgraft/safety/notes"
	"bootgraft/safety/rescue"
)

// reportFlags are the pages that a verb writes beside its answer.
type reportFlags struct {
	files  []string
	redact bool
	given  func() bool     // --redact was typed
	makes  func() []string // the files that the verb is asked to make or to read

	title   string        // of the page; empty: that of the verb
	answer  page.Answer   // what the verb found or did
	facts   *page.Drive   // nil: the page has no drive to draw
	plan    *page.Planned // nil: nor a card
	names   []string      // paths that were typed
	other   []*page.Drive // drives that are not drawn, and whose names were told
	kept    []string      // what else was told and is for its owner alone
	serials []string      // of drives and cards
}

// Add adds the flags to those of a command.
func (f *reportFlags) Add(c *cobra.Command) {
	c.Flags().StringArrayVar(&f.files, "report", nil, "also write a page to this new file: .html (to print), .md (for a "+
		"forum), .txt, or .svg (the drawing alone); may be repeated")
	c.Flags().BoolVar(&f.redact, "redact", false, "names, labels, serials and paths on the page become stand-ins "+
		"(default for .md)")
	f.given = func() bool { return c.Flags().Changed("redact") }
	f.makes = func() []string {
		all := slices.Clone(c.Flags().Args())
		if out := c.Flags().Lookup("output"); out != nil {
			all = append(all, out.Value.String())
		}
		for _, path := range all {
			all = append(all, path+notes.Suffix)
		}
		return all
	}
}

// wanted tells whether any page is.
func (f *reportFlags) wanted() bool { return len(f.files) > 0 }

// around runs a verb, and writes its pages from what it found and how it ended. title
// says what the page is about.
func (f *reportFlags) around(u *talk.UI, title string, run func() error) error {
	if err := f.check(nil); err != nil {
		return err
	}
	if !f.wanted() {
		return run()
	}
	err := run()
	if talk.ExitCode(err) == talk.ExitUsage {
		return err
	}
	if f.title != "" {
		title = f.title
	}
	if lost := f.write(u, f.page(title, err), f.secrets(), nil); lost != nil {
		return errors.Join(err, lost)
	}
	return err
}

// goOn gives the pages of a verb that goes on with earlier work names beside those of the earlier
// runs: the same command is typed again, and no page is replaced.
func (f *reportFlags) goOn() {
	for i, path := range f.files {
		end := filepath.Ext(path)
		for n := 2; isThere(f.files[i]); n++ {
			f.files[i] = fmt.Sprintf("%s.%d%s", strings.TrimSuffix(path, end), n, end)
		}
	}
}

func isThere(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// page makes the page of a verb that has ended.
func (f *reportFlags) page(title string, err error) *report.Report {
	text := ""
	if err != nil && !errors.Is(err, talk.ErrSaid) {
		text = talk.ErrorText(err)
	}
	o := page.Outcome{Answer: f.answer, Title: title, Code: talk.ExitCode(err), Error: text, Names: f.names,
		Program: build.Program()}
	return page.OutcomeReport(o, f.facts, f.plan)
}

// secrets are the names that a page for strangers must not hold.
func (f *reportFlags) secrets() *report.Names {
	n := report.NewNames()
	if f.facts != nil {
		n = f.facts.Names()
	}
	for _, d := range f.other {
		d.AddTo(n)
	}
	for _, text := range f.kept {
		n.Add(report.String, text)
	}
	for _, text := range f.serials {
		n.Add(report.Serial, text)
	}
	page.AddPaths(n, f.names...)
	return n
}

// openJob opens the plan and the source of a verb that is typed PLAN TARGET, says what is
// wrong with the source, and gathers what a page says of them.
func (f *reportFlags) openJob(ctx context.Context, u *talk.UI, args []string,
	source input.PlanSourceFlags) (*input.Job, error) {
	job, err := input.OpenJob(args[0], source)
	if err != nil {
		return nil, err
	}
	job.Src.SayDamage(u)
	f.names = append(f.names, args...)
	if err := f.takeJob(ctx, u, job, args[0]); err != nil {
		job.Close()
		return nil, err
	}
	return job, nil
}

// takeJob gathers what a page says of a plan and its drive, where one is wanted.
func (f *reportFlags) takeJob(ctx context.Context, u *talk.UI, j *input.Job, planPath string) error {
	if !f.wanted() {
		return nil
	}
	return f.gatherJob(ctx, u, j, planPath)
}

// gatherJob gathers it in any case.
func (f *reportFlags) gatherJob(ctx context.Context, u *talk.UI, j *input.Job, planPath string) error {
	m, err := j.Src.Survey(ctx, u)
	if err != nil {
		return err
	}
	if f.facts, err = driveFacts(ctx, u, j.Src, m); err != nil {
		return err
	}
	f.plan = &page.Planned{Drive: f.facts, Plan: j.Plan, Target: j.Plan.Target}
	f.names = append(f.names, planPath, j.Plan.Source.Path)
	if f.plan.Digest, err = j.Plan.Digest(); err != nil {
		return err
	}
	f.plan.Anew, err = madeNew(j.Src, j.Plan, m)
	return err
}

// takeDrive gathers what a page says of a drive, where one is wanted.
func (f *reportFlags) takeDrive(ctx context.Context, u *talk.UI, src *input.Source, m *layout.Map) (err error) {
	if f.wanted() {
		f.facts, err = driveFacts(ctx, u, src, m)
	}
	return err
}

// alsoNames notes the names of a disk that is not drawn, where a page is wanted.
func (f *reportFlags) alsoNames(ctx context.Context, u *talk.UI, src *input.Source, m *layout.Map) error {
	if !f.wanted() {
		return nil
	}
	d, err := driveFacts(ctx, u, src, m)
	f.other = append(f.other, d)
	return err
}

// check refuses names of pages that cannot be written, before any work is done.
func (f *reportFlags) check(avoid []os.FileInfo) error {
	if f.given != nil && f.given() && !f.wanted() {
		return talk.Usagef("--redact goes with --report")
	}
	for i, path := range f.files {
		if !slices.Contains([]string{".html", ".md", ".txt", ".svg"}, ending(path)) {
			return talk.Usagef("--report %s: a page is .html, .md or .txt, and a drawing .svg", path)
		}
		if slices.Contains(f.files[:i], path) {
			return talk.Usagef("--report %s is given twice", path)
		}
		if f.makes != nil && slices.ContainsFunc(f.makes(), func(other string) bool {
			return filepath.Clean(other) == filepath.Clean(path)
		}) {
			return talk.Usagef("--report %s is the name of another file of this command; give the page one of its own", path)
		}
		out := safety.Output{Path: path, Kind: safety.ReportFile, Avoid: avoid}
		if err := input.TargetError(out.Check()); err != nil {
			return err
		}
	}
	return nil
}

func ending(path string) string { return strings.ToLower(filepath.Ext(path)) }

// hides tells whether a page is for strangers.
func (f *reportFlags) hides(path string) bool {
	if f.given() {
		return f.redact
	}
	return ending(path) == ".md"
}

// write writes the pages. The work is done by then: a page that cannot be written is an
// error, and takes nothing back.
func (f *reportFlags) write(u *talk.UI, r *report.Report, names *report.Names, avoid []os.FileInfo) error {
	for _, path := range f.files {
		one := r
		if f.hides(path) {
			one = r.Redacted(names)
		}
		var text []byte
		var err error
		switch ending(path) {
		case ".html":
			text, err = one.HTML()
		case ".md":
			text = one.Markdown()
		case ".svg":
			text, err = one.SVG()
		default:
			text = one.Plain()
		}
		if err != nil {
			return err
		}
		err = input.WriteFile(path, safety.ReportFile, false, avoid, func(w io.Writer) error {
			_, err := w.Write(text)
			return err
		})
		if err != nil {
			// whatever refused it: the work is done, and that is no "nothing was written"
			return talk.Coded(talk.ExitFailed, fmt.Errorf("the page was not written; everything else is done: %w", err))
		}
		u.Sayf("The page is in %s.", path)
	}
	return nil
}

// driveFacts gathers what a page says of a drive.
func driveFacts(ctx context.Context, u *talk.UI, src *input.Source, m *layout.Map) (*page.Drive, error) {
	d := &page.Drive{Path: src.Path, Map: m, Identity: page.IdentityText(input.OriginalOf(src)), Program: build.Program()}
	d.Notes = string(notesFor(u, src))
	whole := image.Whole(src)
	d.Faults.Missing = image.Unknown(src, whole)
	if c, ok := src.Source.(*record.Source); ok {
		d.Faults.Unstable = c.Record().Unstable()
	}
	if len(d.Faults.Missing.Within(firstSector)) == 0 {
		b, err := image.ReadSector(src, 0)
		if err != nil {
			return nil, err
		}
		d.Sector0 = b
	}
	progress, finish := u.Bar("looking at files")
	defer finish()
	var err error
	d.Files, err = rescue.Run(ctx, src, m, rescue.Options{NoHash: true, Times: true, Progress: progress})
	return d, err
}

// madeNew reads the sectors that a plan makes new outside volumes, in front of the first
// 64 sectors and those at the start of a volume: old and new.
func madeNew(src image.Source, p *plan.Plan, m *layout.Map) ([]page.MadeNew, error) {
	const most = 8 // sectors: by hand, a page has room for no more
	made, err := card.New(p, src)
	if err != nil {
		return nil, err
	}
	var out []page.MadeNew
	for _, q := range p.Pieces {
		if q.Op != layout.Render || q.Start >= m.Sectors || len(out) == most {
			continue
		}
		for x := q.Start; x < min(q.End(), m.Sectors) && len(out) < most; x++ {
			now, err := image.ReadSector(made, x)
			if err != nil {
				return nil, err
			}
			old, err := image.ReadSector(src, x)
			if err != nil { // it is not known: there is nothing to show
				continue
			}
			out = append(out, page.MadeNew{Sector: x, Old: old, New: now})
		}
	}
	return out, nil
}

// firstSector is the one that two people compare first.
var firstSector = disk.Span{Count: 1}
