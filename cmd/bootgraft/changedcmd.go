package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/scan/diff"
)

// openAfter opens the card as it came back, which is nothing that before reads.
func (f *compareFlags) openAfter(before *input.Source) (*input.Source, error) {
	flags := f.source.With(before.SectorSize())
	flags.Record = "" // that is of the source of the plan
	after, err := input.OpenSource(f.after, flags)
	if err != nil {
		return nil, err
	}
	for _, read := range before.Files {
		if len(after.Files) > 0 && os.SameFile(read, after.Files[0]) {
			after.Close()
			return nil, talk.Usagef("--after %s is read for --before as well. A comparison with itself proves nothing", f.after)
		}
	}
	return after, nil
}

// changed says what a device did to a card.
func (f *compareFlags) changed(c *cobra.Command, u *talk.UI) error {
	before, drive, err := f.openBefore()
	if err != nil {
		return err
	}
	defer before.Close()
	after, err := f.openAfter(before)
	if err != nil {
		return err
	}
	defer after.Close()
	before.SayDamage(u)
	after.SayDamage(u)
	was, is, err := f.surveys(c, u, before, after)
	if err != nil {
		return err
	}
	progress, finish := u.Sectors("comparing", before.SectorSize())
	opt := diff.Options{Progress: progress}
	if drive != nil {
		opt.Drive = image.Sectors(drive)
	}
	r, err := diff.Compare(c.Context(), diff.Side{Source: before, Survey: was}, diff.Side{Source: after, Survey: is}, opt)
	finish()
	var sizes *diff.SizeError
	if errors.As(err, &sizes) {
		return talk.Refusef("%w. Read the whole card back into an image", err)
	}
	if err != nil {
		return err
	}
	next := f.nextOriginal(r, drive, before.SectorSize())
	advice, err := f.advice(r)
	if err != nil {
		return err
	}
	f.showChanged(u, r, next, advice)
	return nil
}

// surveys looks at both sides of the comparison.
func (f *compareFlags) surveys(c *cobra.Command, u *talk.UI, before,
	after *input.Source) (was, is *layout.Map, err error) {
	if was, err = before.Survey(c.Context(), u); err != nil {
		return nil, nil, err
	}
	if image.Sectors(before) == image.Sectors(after) {
		// What the plan did not touch is not its own: whatever lies there says nothing.
		after.Source = image.NewKnown(after.Source, image.Unknown(before, image.Whole(before)), nil)
	}
	if is, err = after.Survey(c.Context(), u); err != nil {
		return nil, nil, err
	}
	return was, is, errors.Join(f.report.alsoNames(c.Context(), u, before, was),
		f.report.alsoNames(c.Context(), u, after, is))
}

// showChanged prints what a device did, and gathers it for a page.
func (f *compareFlags) showChanged(u *talk.UI, r *diff.Report, next string, advice page.Advice) {
	told := document.NewChanged(f.before, f.after, r, page.KindTexts, next)
	if advice.Next != "" {
		told.NoStart = &document.NoStart{
			RulesOut: advice.RulesOut, Note: advice.Note, Next: advice.Next, Lines: append([]string{}, advice.Typed...)}
	}
	u.Document(told)
	f.report.answer = page.ChangedAnswer(r, next, advice)
	u.Page(func(u *talk.UI) {
		page.Changed(u, f.before, f.after, r, next)
		page.NoStart(u, advice)
	}, func(u *talk.UI) { page.ChangedBrief(r, next, advice).Show(u) })
}

// advice is what to do if the card did not start, from what the device did to it and
// from how many cards were written by its plan.
func (f *compareFlags) advice(r *diff.Report) (page.Advice, error) {
	var c page.Case
	if input.IsPlanFile(f.before) {
		p, _, err := input.PlanAndSource(f.before)
		if err != nil {
			return page.Advice{}, err
		}
		c = page.Case{PlanPath: f.before, Plan: p, Flags: f.source.Words(), Source: f.source.Source,
			Written: len(device.Receipts(f.before))}
	}
	return page.AdviceFor(r.Kinds, c), nil
}

// nextOriginal is the command that compares a card which the device has
// initialised with the drive that it was planned from; empty where there is no
// such pair.
func (f *compareFlags) nextOriginal(r *diff.Report, drive *input.Source, sectorSize int) string {
	if !r.Original || drive == nil || image.Sectors(drive) == r.Sectors {
		return ""
	}
	size := input.SourceFlags{SectorSize: sectorSize, Accept: f.source.Accept}
	return fmt.Sprintf("bootgraft compare %s %s%s", words.Shell(drive.Path), words.Shell(f.after), size.Words())
}

// openBefore opens the planned card, or an image; drive is the source of the
// plan.
func (f *compareFlags) openBefore() (before, drive *input.Source, err error) {
	if !input.IsPlanFile(f.before) {
		if f.source.Source != "" || f.source.Record != "" {
			return nil, nil, talk.Usagef("--source and --record go with --before PLAN, and %s is no plan", f.before)
		}
		before, err = input.OpenSource(f.before, f.source.With(f.sectorSize))
		return before, nil, err
	}
	j, err := input.OpenJob(f.before, f.source)
	if err != nil {
		return nil, nil, err
	}
	before = &input.Source{Source: j.Card, Path: f.before, Files: j.Files, Close: func() error { j.Close(); return nil }}
	return before, j.Src, nil
}
