package main

import (
	"context"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
	"bootgraft/image/peek"
	"bootgraft/layout/scan"
)

const surveyHelp = `Reads an image of a drive and says who owns every sector of it: tables, gaps,
volumes, the tail, and what is wrong with them. Nothing is ever written.

Without SOURCE it lists the disks of this machine: which is which. With next as
SOURCE it waits for one disk to be plugged in, and looks at that one.

Outside the volumes it also looks for copies, for numbers that may be the size
of the drive or an address, for chains, checksums and byte orders. What it shows
are candidates: one drive proves nothing.

A block device gets a short look only: at most 2,048 sectors, and it ends at the
first error or slow read. An old drive is for capture to read, once.

Examples:

  bootgraft survey                     the disks of this machine
  sudo bootgraft survey next           plug the drive in now
  bootgraft survey old.img
  bootgraft survey old.img --json
  bootgraft survey optical.img --sector-size 2048`

func surveyCommand(u *talk.UI) *cobra.Command {
	var f input.SourceFlags
	var said string
	c := &cobra.Command{
		Use:   "survey [SOURCE]",
		Short: "say who owns every sector of a drive, or list the disks",
		Long:  surveyHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			id, err := input.OpenIdentify(said)
			if err != nil {
				return err
			}
			if len(args) == 0 && id != nil {
				return talk.Usagef("--identify says what a drive says of itself, beside a SOURCE: bootgraft survey SOURCE --identify %s", words.Shell(said))
			}
			if len(args) == 0 {
				return device.List(u, "sudo bootgraft survey DISK      a short look at an old drive\n  sudo bootgraft card DISK        what a card is, and what is on it")
			}
			if args[0] == "next" || input.IsDevice(args[0]) {
				return shortLook(u, c.Context(), args[0], id)
			}
			f.Bar, f.Shows = u.Bar, true
			src, err := input.OpenSource(args[0], f)
			if err != nil {
				return input.Refused(u, err)
			}
			defer src.Close()
			src.SayDamage(u)
			s, err := src.Survey(c.Context(), u)
			if err != nil {
				return err
			}
			outside, err := scan.LookOutside(c.Context(), src, s)
			if err != nil {
				return err
			}
			var more []disk.Finding
			if id != nil {
				more = id.Findings(s.Sectors, s.SectorSize)
			}
			if u.JSON {
				d := document.NewSurvey(s, more...)
				d.Add(outside)
				d.Says(id)
				u.Document(d)
				return nil
			}
			page.Survey(u, args[0], s, append(more, outside.Findings...)...)
			page.Identify(u, id)
			page.Candidates(u, outside)
			u.Answerf("\nNext, plan the card; N is its number of sectors:\n\n  bootgraft plan %s --size Ns%s -o card.plan\n", words.Shell(args[0]), f.Words())
			return nil
		},
	}
	f.Add(c)
	c.Flags().StringVar(&said, "identify", "", "a file with what the drive said to IDENTIFY DEVICE: 512 bytes, or their words as text")
	input.AcceptFlag(c.Flags(), &f.Accept)
	return c
}

// shortLook surveys a drive by a few reads. The path next stands for the one
// that is plugged in now.
func shortLook(u *talk.UI, ctx context.Context, path string, id *ata.Identify) error {
	d, err := device.OpenDrive(ctx, u, path)
	if err != nil {
		return err
	}
	defer d.Close()
	path = d.Name()
	p := peek.New(d)
	p.Fetch(disk.Span{Count: peek.PeekEnds})
	p.Fetch(disk.Span{Start: image.Sectors(d) - peek.PeekEnds, Count: peek.PeekEnds})
	s, err := scan.Run(ctx, p, scan.Options{Short: true, Source: p.Findings})
	if err != nil {
		return err
	}
	if id == nil {
		id = d.Identify()
	}
	var more []disk.Finding
	if id != nil {
		more = id.Findings(s.Sectors, s.SectorSize)
	}
	if u.JSON {
		doc := document.NewSurvey(s, more...)
		doc.Says(id)
		u.Document(doc)
		return nil
	}
	u.Answerf("%s: %s\n", path, page.IdentityText(d.Identity()))
	page.Survey(u, path, s, more...)
	page.Identify(u, id)
	return nil
}
