package main

import (
	"context"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/packed"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/diff"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
)

const verifyHelp = `Compares every sector of a card with what its plan says, and explains each
difference: which sector and byte, what should be there, what is there, and
which piece of the plan it belongs to. Sectors that the plan does not touch are
counted and not compared.

With one argument, an image that was made by capture, every span is compared
with the SHA-256 in its record: is the archive still what was read? A folder that
archive made is checked file by file: what is damaged, missing, or was added.

Examples:

  bootgraft verify card.plan card.img
  bootgraft verify card.plan card.img --second-reader
  bootgraft verify card.plan card.img --json --limit 1000
  bootgraft verify old.img
  bootgraft verify card-archive`

type verifyFlags struct {
	source input.PlanSourceFlags
	opt    safety.VerifyOptions
	second bool
	report reportFlags
}

func verifyCommand(u *talk.UI) *cobra.Command {
	var f verifyFlags
	c := &cobra.Command{
		Use:   "verify PLAN TARGET | verify IMAGE | verify DIR",
		Short: "compare a card with its plan, or a capture with its record",
		Long:  verifyHelp,
		Args:  cobra.RangeArgs(1, 2),
		RunE: func(c *cobra.Command, args []string) error {
			return f.report.around(u, "A card, compared with its plan", func() error { return f.run(c.Context(), u, args) })
		},
	}
	f.source.Add(c)
	f.report.Add(c)
	f.source.Bar = u.Bar
	c.Flags().IntVar(&f.opt.Limit, "limit", 100, "most differences to list; the totals count all")
	c.Flags().BoolVar(&f.opt.Hash, "sha256", false, "also compute the SHA-256 of the card, but for sectors not touched")
	c.Flags().BoolVar(&f.second, "second-reader", false,
		"if nothing differs, also have an independent reader read the tables and every file of the FAT volumes")
	return c
}

func (f *verifyFlags) run(ctx context.Context, u *talk.UI, args []string) error {
	if f.opt.Limit < 0 {
		return talk.Usagef("--limit %d is no number of differences", f.opt.Limit)
	}
	if err := input.CheckPlanFirst("verify", args); err != nil {
		return err
	}
	if st, err := os.Stat(args[0]); len(args) == 1 && err == nil && st.IsDir() {
		return f.checkFolder(ctx, u, args[0])
	}
	if len(args) == 1 {
		return f.verifyArchive(ctx, u, args[0], f.source.Record)
	}
	job, err := f.report.openJob(ctx, u, args, f.source)
	if err != nil {
		return err
	}
	defer job.Close()
	target, closeTarget, err := input.OpenReadOnly(args[1], job.Plan.Target.SectorSize)
	if err != nil {
		return talk.Coded(talk.ExitRefused, err)
	}
	defer closeTarget()
	input.SayTold(u, target)
	f.opt.Source, f.opt.Name = job.Src, args[1]
	var finish func()
	f.opt.Progress, finish = u.Bar("comparing")
	cmp, err := safety.Verify(ctx, job.Card, job.Plan.Pieces, target, f.opt)
	finish()
	if err != nil {
		return input.TargetError(err)
	}
	var opinions []second.Opinion
	if f.second && cmp.Unequal == 0 {
		if opinions, err = secondOnCard(ctx, u, target); err != nil {
			return err
		}
	}
	if cmp.Unequal > 0 {
		cmp.Notes = append(cmp.Notes, diff.Traces(ctx, job.Card.Known(), target, cmp.Runs)...)
	}
	f.report.answer = page.VerifiedAnswer(cmp, opinions)
	f.report.answer.Next = page.LinesAfterVerify(args[0], args[1], f.source.Words(), input.IsDevice(args[1]),
		cmp.Unequal == 0)
	return compared(u, args, f.source.Words(), cmp, opinions)
}

// compared says what a comparison found and how the program ends.
func compared(u *talk.UI, args []string, flags string, c *safety.Comparison, opinions []second.Opinion) error {
	target := args[1]
	u.Document(document.NewVerify(c, opinions))
	after := func(u *talk.UI) {
		page.AfterVerify(u, args[0], target, flags, input.IsDevice(target), c.Unequal == 0)
	}
	u.Page(func(u *talk.UI) {
		page.Verified(u, target, c, opinions)
		after(u)
	}, func(u *talk.UI) { page.VerifiedBrief(target, c, after).Show(u) })
	switch {
	case c.Unequal > 0:
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%s differs from its plan in %s", target,
			disk.Counted(c.Unequal, "sector")))
	case c.Missing > 0:
		return talk.Coded(talk.ExitIncomplete, fmt.Errorf("%s sectors that the source does not know are zeros on the card",
			disk.Grouped(c.Missing)))
	}
	return nil
}

// secondOnCard asks the second reader about a card that was written, down to
// the bytes of every file.
func secondOnCard(ctx context.Context, u *talk.UI, card image.Source) ([]second.Opinion, error) {
	s, err := scan.Run(ctx, card, scan.Options{})
	if err != nil {
		return nil, err
	}
	progress, finish := u.Bar("second reader")
	defer finish()
	done, total := int64(0), s.UsedBytes()
	return second.Ask(ctx, card, s, second.Options{Contents: true, Progress: func(n int64) {
		done += n
		progress(min(done, total), total)
	}})
}

// verifyArchive compares the image of a capture with the digests in its
// record.
func (f *verifyFlags) verifyArchive(ctx context.Context, u *talk.UI, path, beside string) error {
	if err := input.OtherThanDrive(path, "the image of a capture"); err != nil {
		return err
	}
	if beside == "" {
		beside = record.Beside(path)
	}
	r, err := os.Open(beside)
	if err != nil {
		if _, gone := os.Stat(path); gone != nil {
			return input.SourceError(path, gone)
		}
		return fmt.Errorf("%s has no record that could tell what was read: %w", path, err)
	}
	defer r.Close()
	rec, damaged, err := record.Load(r, path)
	if err != nil {
		return fmt.Errorf("%s: %w", beside, err)
	}
	img, err := packed.OpenImage(path, rec.SectorSize)
	if err != nil {
		return input.SourceError(path, err)
	}
	defer img.Close()
	c, err := capture.Verify(ctx, rec, img)
	if err != nil {
		return input.CaptureError(err)
	}
	if rec.Damage != nil {
		c.Damaged = c.Damaged.Union(rec.Damage.Lost)
	}
	f.report.names = append(f.report.names, path, beside)
	f.report.title, f.report.answer = "The image of a drive, compared with its record", page.ArchiveAnswer(c)
	if err = archived(u, path, c); err == nil && rec.Damage != nil {
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%w. What is proved of it is in order; the capture command that "+
			"made it puts the record right", damaged))
	}
	return err
}

func archived(u *talk.UI, path string, c *capture.Check) error {
	u.Document(document.NewArchive(c))
	page.Archive(u, path, c)
	switch {
	case c.Damaged.Sectors() > 0:
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%s is damaged in %s of sectors", path,
			disk.Counted(len(c.Damaged), "span")))
	case c.Promised != nil && *c.Promised != c.SHA256:
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%s is not the file that the record describes", path))
	}
	return nil
}
