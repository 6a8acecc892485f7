package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/diff"
)

// changed says what a device did to a card.
func (f *compareFlags) changed(c *cobra.Command, u *talk.UI) error {
	before, drive, err := f.openBefore()
	if err != nil {
		return err
	}
	defer before.Close()
	after, err := input.OpenSource(f.after, f.sourceFlags(before.SectorSize()))
	if err != nil {
		return err
	}
	defer after.Close()
	for _, read := range before.Files {
		if len(after.Files) > 0 && os.SameFile(read, after.Files[0]) {
			return talk.Usagef("--after %s is read for --before as well. A comparison with itself proves nothing", f.after)
		}
	}
	before.SayDamage(u)
	after.SayDamage(u)
	was, err := before.Survey(c.Context(), u)
	if err != nil {
		return err
	}
	if image.Sectors(before) == image.Sectors(after) {
		// What the plan did not touch is not its own: whatever lies there says nothing.
		after.Source = image.NewKnown(after.Source, image.Unknown(before, image.Whole(before)), nil)
	}
	is, err := after.Survey(c.Context(), u)
	if err != nil {
		return err
	}
	progress, finish := u.Bar("comparing")
	size := int64(before.SectorSize())
	opt := diff.Options{Progress: func(done, total disk.Sector) { progress(int64(done)*size, int64(total)*size) }}
	if drive != nil {
		opt.Drive = image.Sectors(drive)
	}
	r, err := diff.Compare(c.Context(), diff.Disk{Source: before, Survey: was}, diff.Disk{Source: after, Survey: is}, opt)
	finish()
	var sizes *diff.SizeError
	if errors.As(err, &sizes) {
		return talk.Refusef("%w. Read the whole card back into an image", err)
	}
	if err != nil {
		return err
	}
	next := f.nextOriginal(r, drive, before.SectorSize())
	u.Document(document.NewChanged(f.before, f.after, r, page.KindTexts, next))
	page.Changed(u, f.before, f.after, r, next)
	return nil
}

// nextOriginal is the command that compares a card which the device has
// initialised with the drive that it was planned from; empty where there is no
// such pair.
func (f *compareFlags) nextOriginal(r *diff.Report, drive *input.Source, sectorSize int) string {
	if !r.Original || drive == nil || image.Sectors(drive) == r.Sectors {
		return ""
	}
	size := input.SourceFlags{SectorSize: sectorSize, Accept: f.accept}
	return fmt.Sprintf("bootgraft compare %s %s%s", words.Shell(drive.Path), words.Shell(f.after), size.Words())
}

// openBefore opens the planned card, or an image; drive is the source of the
// plan.
func (f *compareFlags) openBefore() (before, drive *input.Source, err error) {
	if !input.IsPlanFile(f.before) {
		if f.source != "" {
			return nil, nil, talk.Usagef("--source goes with --before PLAN, and %s is no plan", f.before)
		}
		before, err = input.OpenSource(f.before, f.sourceFlags(f.sectorSize))
		return before, nil, err
	}
	j, err := input.OpenJob(f.before, input.PlanSourceFlags{Source: f.source, Accept: f.accept, Command: f.command, Bar: f.bar})
	if err != nil {
		return nil, nil, err
	}
	before = &input.Source{Source: j.Card, Path: f.before, Files: j.Files, Close: func() error { j.Close(); return nil }}
	return before, j.Src, nil
}
