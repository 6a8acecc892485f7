package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/safety"
)

const writeHelp = `Writes the card that a plan describes, to an image file. The file appears
under its name when it is complete; until then it is TARGET.unfinished, and an
older TARGET is untouched.

With --device TARGET is a card (Linux). Without --confirm that is a rehearsal:
every guard is asked, the page says which card it is, what it holds and what
will happen, and ends with the line to type. The word in that line is for this
plan, this card and what the card holds now; nothing skips a guard. A receipt
beside the plan keeps what is replaced first (see bootgraft undo). If the power
fails the same command goes on from it, with a rehearsal and a word of its own.
"next" as TARGET waits for the card to be put in, and holds it before a desktop
mounts it.

Examples:

  sudo bootgraft write card.plan /dev/sdX --device              rehearse
  sudo bootgraft write card.plan /dev/sdX --device --confirm WORD
  sudo bootgraft write card.plan next --device --keep all

  bootgraft write card.plan card.img
  bootgraft write card.plan card.img --source old.img --sha256
  bootgraft write card.plan card.img --replace`

type writeFlags struct {
	source input.PlanSourceFlags
	image  safety.Options
	card   device.Flags
	keep   string
	report reportFlags
}

func writeCommand(u *talk.UI) *cobra.Command {
	var f writeFlags
	c := &cobra.Command{
		Use:   "write PLAN TARGET",
		Short: "write the planned card to an image file or a card",
		Long:  writeHelp,
		Args:  cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			title := "Writing a card image"
			if f.card.Device {
				title = "Writing a card"
			}
			return f.report.around(u, title, func() error { return f.run(c.Context(), u, args) })
		},
	}
	f.source.Add(c)
	f.report.Add(c)
	f.source.Bar = u.Bar
	f.card.Add(c)
	c.Flags().StringArrayVar(&f.card.Earlier, "earlier", nil,
		"with --device: the receipt of an earlier write of this card, if it is not beside the plan; may be repeated")
	device.Keeps.Add(c, &f.keep, "tables", "with --device, what the receipt keeps of the old content: tables, or all "+
		"that is replaced")
	c.Flags().BoolVar(&f.image.Replace, "replace", false, "replace an existing TARGET")
	c.Flags().BoolVar(&f.image.Hash, "sha256", false, "also compute the SHA-256 of what is written")
	return c
}

// check finds flags that contradict each other before anything is opened.
func (f *writeFlags) check() error {
	switch {
	case device.Keeps.Check(f.keep) != nil:
		return device.Keeps.Check(f.keep)
	case f.card.Device && (f.image.Replace || f.image.Hash):
		return talk.Usagef("--replace and --sha256 are for image files; what a card holds is read back in any case")
	case !f.card.Device && (f.keep == "all" || f.card.Earlier != nil):
		return talk.Usagef("--keep and --earlier go with --device")
	}
	return f.card.Check()
}

func (f *writeFlags) run(ctx context.Context, u *talk.UI, args []string) error {
	if err := f.check(); err != nil {
		return err
	}
	if err := input.CheckPlanFirst("write", args); err != nil {
		return err
	}
	job, err := f.report.openJob(ctx, u, args, f.source)
	if err != nil {
		return err
	}
	defer job.Close()
	if f.card.Device {
		f.card.Accept, f.card.KeepAll, f.card.Program = f.source.Accept, f.keep == "all", build.Program()
		told, err := device.Write(ctx, u, args[0], args[1], job, f.card)
		if told != nil {
			f.report.answer = told.Answer()
			f.report.names = append(f.report.names, told.Path, told.Facts.Node, told.Receipt)
			f.report.serials = append(f.report.serials, told.Facts.Identity.Serial, told.Facts.CID)
		}
		return err
	}
	f.image.Avoid = job.Files
	var finish func()
	f.image.Progress, finish = u.Bar("writing")
	res, err := safety.WriteImage(ctx, args[1], job.Card, job.Plan.Pieces, f.image)
	finish()
	if err != nil {
		return input.TargetError(err)
	}
	again := words.Shell(args[0]) + " " + words.Shell(args[1]) + job.Words
	f.report.answer = page.ImageAnswer(args[1], res, job.Plan.Target.SectorSize, again)
	return wrote(u, args[1], job.Plan.Target.SectorSize, res, again)
}

// wrote says what was written and how the program ends.
func wrote(u *talk.UI, target string, sectorSize int, res safety.Result, again string) error {
	u.Document(document.NewImageWritten(target, res))
	if res.Folder != nil {
		u.Sayf("warning: the folder of %s could not be flushed (%v); wait before you cut the power", target, res.Folder)
	}
	page.Written(u, target, res, sectorSize, again)
	if res.Missing > 0 {
		return talk.Coded(talk.ExitIncomplete, errors.New(page.ZerosText(res.Missing)))
	}
	return nil
}
