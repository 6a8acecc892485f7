package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
)

const cardHelp = `Says what a card is and what it holds: its sectors against the sizes that are
sold, sector sizes, model, serial number, how it is attached, what is on it, how
that lies on the boundaries of flash, and the plan line for a card of its size.
Nothing is written. Without TARGET it lists the disks of this machine.

TARGET is a card (/dev/sdX, \\.\PhysicalDriveN on Windows, /dev/rdiskN on macOS) or
an image file. With next as TARGET it waits for one disk to be plugged in, and
holds it while it looks.

Is the card as large as it says? Only writing can tell (on Linux), so --write-test needs
--device and, like write, is a rehearsal until it has the word:

  quick   seconds, fewer than 1,000 sectors written; finds every card whose
          upper part repeats its lower part or forgets what is written to it,
          and puts back what it replaced
  full    writes and reads every sector, and finds single bad ones as well;
          what the card holds is lost, unless --keep all puts it in the receipt

A card may keep what was written last, often 4 or 64 MiB, in a memory that
forgets when its power goes, and so pass the quick test. With --pull that test
has two halves: the first leaves its stamps on the card and ends with 7; pull the
card, put it back in, and type the same line. What the stamps replaced is in the
receipt meanwhile, and the second half puts it back.

It ends with 5 if the card is not what it says.

Examples:

  bootgraft card
  sudo bootgraft card next
  sudo bootgraft card /dev/sdX
  sudo bootgraft card /dev/sdX --write-test quick --device        rehearse
  sudo bootgraft card /dev/sdX --write-test quick --device --confirm WORD
  sudo bootgraft card /dev/sdX --write-test quick --pull --device
  bootgraft card card.img`

type cardCmdFlags struct {
	test       string
	keep       string
	pull       bool // a quick test in two halves
	sectorSize int
	sizeGiven  bool // --sector-size was typed
	card       device.Flags
}

// tests are the ways to test a card by writing.
var tests = input.Choices{Flag: "write-test", Words: []string{device.Quick, device.Full}, None: true}

func cardCommand(u *talk.UI) *cobra.Command {
	var f cardCmdFlags
	c := &cobra.Command{
		Use:   "card [TARGET]",
		Short: "is a card as large as it says, and what is on it",
		Long:  cardHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			f.sizeGiven = c.Flags().Changed("sector-size")
			return f.run(c.Context(), u, args)
		},
	}
	fl := c.Flags()
	tests.Add(c, &f.test, "", "quick or full: test by writing; needs --device")
	fl.BoolVar(&f.pull, "pull", false, "with --write-test quick: in two halves, with the card pulled between them")
	device.Keeps.Add(c, &f.keep, "tables", "with --write-test full, what the receipt keeps of the old content: "+
		"tables, or all")
	input.SectorSizeFlag(c, &f.sectorSize)
	input.AcceptFlag(fl, &f.card.Accept)
	f.card.Add(c)
	return c
}

// check finds flags that contradict each other before anything is opened.
func (f *cardCmdFlags) check(args []string) error {
	switch {
	case input.CheckSectorSize(f.sectorSize) != nil:
		return input.CheckSectorSize(f.sectorSize)
	case device.Keeps.Check(f.keep) != nil:
		return device.Keeps.Check(f.keep)
	case f.pull && f.test != device.Quick:
		return talk.Usagef("--pull goes with --write-test quick")
	case f.test == "" && (f.card.Device || f.keep == "all" || len(f.card.Accept) > 0):
		return talk.Usagef("--device, --keep and --accept go with --write-test; to look at a card none of them is needed")
	case f.test == "":
		return f.card.Check()
	case tests.Check(f.test) != nil:
		return tests.Check(f.test)
	case len(args) == 0:
		return talk.Usagef("which card is to be tested? bootgraft card lists them")
	case !f.card.Device:
		return talk.Usagef("--write-test writes to the card: add --device")
	case f.keep == "all" && f.test == device.Quick:
		return talk.Usagef("--keep goes with --write-test full; the quick test puts back whatever it replaces")
	case f.sizeGiven:
		return talk.Usagef("--sector-size is for image files, and those are not tested by writing")
	}
	return nil
}

func (f *cardCmdFlags) run(ctx context.Context, u *talk.UI, args []string) error {
	if err := f.check(args); err != nil {
		return err
	}
	switch {
	case f.test != "":
		f.card.KeepAll, f.card.Program = f.keep == "all", build.Program()
		return device.Test(ctx, u, args[0], f.test, f.pull, f.card)
	case len(args) == 0:
		return device.List(u, "bootgraft card DISK        what a card is, and what is on it")
	}
	l, err := device.OpenLook(ctx, u, args[0], f.sectorSize, f.sizeGiven)
	if err != nil {
		return err
	}
	defer l.Close()
	if err := l.Read(ctx); err != nil {
		return err
	}
	u.Document(l.Document())
	u.Page(func(u *talk.UI) { page.Card(u, &l.Look) }, func(u *talk.UI) { page.CardBrief(&l.Look).Show(u) })
	if l.Fault != nil { // after everything else was said
		return fmt.Errorf("what %s holds could not be read: %w", l.Path, l.Fault)
	}
	return nil
}
