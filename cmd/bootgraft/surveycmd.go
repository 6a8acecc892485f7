package main

import (
	"context"
	"fmt"

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
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/geometry"
)

const surveyHelp = `Reads an image of a drive and says who owns every sector of it: tables, gaps,
volumes, the tail, and what is wrong with them. Nothing is ever written.

Without SOURCE it lists the disks of this machine: which is which. With next as
SOURCE it waits for one disk to be plugged in, and looks at that one.

Outside the volumes it also looks for copies, for numbers that may be the size
of the drive or an address, for chains, checksums and byte orders. What it shows
are candidates: one drive proves nothing.

Where the drive, the table, volumes or the machine say in what they count by
cylinder, head and sector, that is shown side by side. What the machine counts in
only its owner knows: --machine-geometry C/H/S.

A block device gets a short look only: at most 2,048 sectors, and it ends at the
first error or slow read. An old drive is for capture to read, once.

Examples:

  bootgraft survey                     the disks of this machine
  bootgraft survey \\.\PhysicalDrive2  a short look at one, on Windows
  sudo bootgraft survey next           plug the drive in now
  bootgraft survey old.img
  bootgraft survey old.img --json
  bootgraft survey optical.img --sector-size 2048`

type surveyFlags struct {
	source input.SourceFlags
	said   string // the file with what the drive says of itself
	counts string // in what the machine counts, as typed
	report reportFlags
}

func surveyCommand(u *talk.UI) *cobra.Command {
	var f surveyFlags
	c := &cobra.Command{
		Use:   "survey [SOURCE]",
		Short: "say who owns every sector of a drive, or list the disks",
		Long:  surveyHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE:  func(c *cobra.Command, args []string) error { return f.run(c.Context(), u, args) },
	}
	f.source.Add(c)
	f.report.Add(c)
	c.Flags().StringVar(&f.said, "identify", "", "a file with what the drive said to IDENTIFY DEVICE: 512 bytes, or "+
		"their words as text")
	c.Flags().StringVar(&f.counts, "machine-geometry", "",
		"C/H/S: in how many cylinders, heads and sectors of a track the machine counts, as its setup or its maker says")
	input.AcceptFlag(c.Flags(), &f.source.Accept)
	return c
}

func (f *surveyFlags) run(ctx context.Context, u *talk.UI, args []string) error {
	machine, err := input.MachineGeometry(f.counts)
	if err != nil {
		return err
	}
	id, err := input.OpenIdentify(f.said)
	switch {
	case err != nil:
		return err
	case len(args) == 0 && f.counts != "":
		return talk.Usagef("--machine-geometry says in what the machine of a drive counts: bootgraft survey SOURCE "+
			"--machine-geometry %s", words.Verbatim(f.counts))
	case len(args) == 0 && id != nil:
		return talk.Usagef("--identify says what a drive says of itself, beside a SOURCE: bootgraft survey SOURCE "+
			"--identify %s", words.Shell(f.said))
	case len(args) == 0:
		return device.List(u, "bootgraft survey DISK      a short look at an old drive",
			"bootgraft card DISK        what a card is, and what is on it")
	case args[0] == "next" || input.IsDevice(args[0]):
		return shortLook(ctx, u, args[0], id, machine)
	}
	return f.whole(ctx, u, args[0], id, machine)
}

// saysOf is what a drive says of itself against what it shows; nil if it says nothing.
func saysOf(id *ata.Identify, s *layout.Map) []disk.Finding {
	if id == nil {
		return nil
	}
	return id.Findings(s.Sectors, s.SectorSize)
}

// countedIn is in what the disk is counted by those who say it.
func countedIn(s *layout.Map, id *ata.Identify, machine layout.Geometry) *geometry.View {
	rows := []geometry.Row{{Who: geometry.Machine, Geometry: machine}}
	if id != nil {
		rows = append(rows, geometry.Row{Who: geometry.Drive, Geometry: layout.Geometry(id.Default)})
		if id.Current != id.Default {
			rows = append(rows, geometry.Row{Who: geometry.DriveNow, Geometry: layout.Geometry(id.Current)})
		}
	}
	return geometry.Compare(s, rows...)
}

// whole surveys a source that can be read at will.
func (f *surveyFlags) whole(ctx context.Context, u *talk.UI, path string, id *ata.Identify,
	machine layout.Geometry) error {
	f.source.Bar, f.source.Shows = u.Bar, true
	src, err := input.OpenSource(path, f.source)
	if err != nil {
		return input.Refused(u, err)
	}
	defer src.Close()
	src.SayDamage(u)
	if err := f.report.check(src.Files); err != nil {
		return err
	}
	s, err := src.Survey(ctx, u)
	if err != nil {
		return err
	}
	outside, err := scan.LookOutside(ctx, src, s)
	if err != nil {
		return err
	}
	more := saysOf(id, s)
	counts := countedIn(s, id, machine)
	if u.JSON {
		d := document.NewSurvey(s, more...)
		d.Counts(counts)
		d.Add(outside)
		d.Says(ata.Drive{Identify: id})
		u.Document(d)
	}
	next := fmt.Sprintf("bootgraft plan %s --size Ns%s -o card.plan", words.Shell(path), f.source.Words())
	more = append(more, outside.Findings...)
	f.show(u, src, s, id, counts, outside, more)
	if !f.report.wanted() {
		return nil
	}
	d, err := driveFacts(ctx, u, src, s)
	if err != nil {
		return err
	}
	d.Found, d.Counts = more, counts
	return f.report.write(u, page.SurveyReport(d, next), d.Names(), src.Files)
}

// show says what is on a source.
func (f *surveyFlags) show(
	u *talk.UI, src *input.Source, s *layout.Map, id *ata.Identify, counts *geometry.View, outside *scan.Outside,
	more []disk.Finding,
) {
	after := func(u *talk.UI) { page.AfterSurvey(u, src.Path, f.source.Words()) }
	u.Page(func(u *talk.UI) {
		page.Survey(u, src.Path, s, more...)
		page.Said(u, ata.Drive{Identify: id}, image.Identity{})
		page.Geometry(u, counts)
		page.Candidates(u, outside)
		// In a kit or a set of pieces the sectors have other places than in the file.
		if len(src.Files) == 1 && src.Files[0].Size() == src.Size() {
			page.Unlisted(u, src.Path, s)
		}
		after(u)
	}, func(u *talk.UI) {
		d := &page.Drive{Path: src.Path, Map: s, Found: more}
		d.Faults.Missing = image.Unknown(src, image.Whole(src))
		page.SurveyBrief(d, after).Show(u)
	})
}

// shortLook surveys a drive by a few reads. The path next stands for the one
// that is plugged in now.
func shortLook(ctx context.Context, u *talk.UI, path string, id *ata.Identify, machine layout.Geometry) error {
	d, err := device.OpenDrive(ctx, u, path)
	if err != nil {
		return err
	}
	defer d.Close()
	said, err := device.AskDrive(d.Name(), d)
	if err != nil {
		return err
	}
	if id != nil {
		said.Identify = id
	}
	p := peek.New(d)
	p.FetchEnds()
	found, err := p.CheckBridge(said.Identify)
	if err != nil {
		return err
	}
	s, err := scan.Run(ctx, p, scan.Options{Short: true, Source: p.Findings})
	if err != nil {
		return err
	}
	counts := countedIn(s, said.Identify, machine)
	more := append(said.Findings(s.Sectors, s.SectorSize), found...)
	if u.JSON {
		doc := document.NewSurvey(s, more...)
		doc.Counts(counts)
		doc.Says(said)
		u.Document(doc)
		return nil
	}
	u.Answerf("%s: %s\n", d.Name(), page.IdentityText(d.Identity()))
	page.Survey(u, d.Name(), s, more...)
	page.Said(u, said, d.Identity())
	page.Geometry(u, counts)
	return nil
}
