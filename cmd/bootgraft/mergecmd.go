package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/layout/kit/donor"
)

// runMerge makes one capture of two: of one drive, or of a drive and another unit of
// its model.
func (f *captureFlags) runMerge(c *cobra.Command, u *talk.UI, args []string) error {
	if f.out == "" {
		return talk.Usagef("--merge needs -o, the new image")
	}
	if _, err := os.Stat(args[0]); err != nil {
		return input.SourceError(args[0], err)
	}
	a, err := record.Open(args[0], "")
	if errors.Is(err, fs.ErrNotExist) {
		return talk.Refusef(noCapture, args[0])
	}
	if err != nil {
		return input.CaptureError(err)
	}
	defer a.Close()
	b, err := f.openSecond(u, args[1])
	if err != nil {
		return err
	}
	defer b.Close()
	o := capture.MergeOptions{Program: build.Program(), NameOfB: b.Path}
	if f.otherDrive != "" {
		if err := f.fromAnother(c, u, args, a, b, &o); err != nil {
			return err
		}
	}
	m, err := capture.Merge(c.Context(), a, b.Source, input.CaptureTarget(f.out), o)
	if err != nil {
		return input.CaptureError(err)
	}
	makeNotes(u, f.out)
	u.Answerf("%s from %s, %s from %s\n", disk.Counted(m.FromA, "sector"), args[0], disk.Counted(m.FromB, "sector"),
		args[1])
	if n := m.Contradictions.Sectors(); n > 0 {
		u.Answerf("%s known in both and different; those of %s were taken:\n", disk.Counted(n, "sector"), args[0])
		page.Spans(u, m.Contradictions)
	}
	if err := f.takeImage(c.Context(), u, []string{args[0], f.out}); err != nil {
		return err
	}
	f.report.answer.First = []report.Part{page.MergedPart(m, args[0], args[1])}
	f.answer(c, []string{args[0], f.out}, m.Result, ata.Drive{})
	err = captured(u, []string{args[0], f.out}, m.Result, a, ata.Drive{}, nil)
	if n := m.Unread.Sectors(); err == nil && n > 0 {
		// One run may end with sectors that its owner did not want; what two captures lack
		// together is not there, and no script may take the new one for a whole one.
		err = talk.Coded(talk.ExitIncomplete, fmt.Errorf("done, but neither capture has %s", disk.Counted(n, "sector")))
	}
	return err
}

// noCapture is said of an image without a record.
const noCapture = "%s is no capture with a record, so nobody knows which of its sectors were read"

// openSecond opens what is merged into a capture: a capture of the same drive, or
// whatever is left of another unit.
func (f *captureFlags) openSecond(u *talk.UI, path string) (*input.Source, error) {
	b, err := f.openCaptured(u, path)
	if err != nil {
		return nil, err
	}
	if _, isCapture := b.Source.(*record.Source); !isCapture && f.otherDrive == "" {
		return nil, errors.Join(talk.Refusef(noCapture+". "+
			"If it is of another unit of the same model, say which boot sectors it may give: "+
			"--other-drive 0+63", path), b.Close())
	}
	b.SayDamage(u)
	return b, nil
}

// fromAnother decides which sectors another unit gives.
func (f *captureFlags) fromAnother(c *cobra.Command, u *talk.UI, args []string, a *record.Source, b *input.Source,
	o *capture.MergeOptions) error {
	spans, err := input.ParseSpans([]string{f.otherDrive}, a)
	if err != nil {
		return err
	}
	mine, err := (&input.Source{Source: image.NewCache(a), Path: args[0]}).Survey(c.Context(), u)
	if err != nil {
		return err
	}
	theirs, err := b.Survey(c.Context(), u)
	if err != nil {
		return err
	}
	g, err := donor.Judge(donor.Unit{Name: args[0], Src: a, Map: mine}, donor.Unit{Name: args[1], Src: b, Map: theirs},
		spans)
	if no := (*donor.RefusedError)(nil); errors.As(err, &no) {
		return talk.Refusef("refusing to take sectors of another unit; nothing was written.\n  %v", err)
	}
	if err != nil {
		return err
	}
	o.OtherDrive = g.Spans
	for _, m := range g.Identity {
		o.Names = append(o.Names, record.Mark{Sector: m.Sector, Offset: m.Offset, Count: m.Count, What: m.What})
	}
	u.Sayf("%s beside them are the same in both units.", disk.Counted(g.Alike, "sector"))
	return nil
}
