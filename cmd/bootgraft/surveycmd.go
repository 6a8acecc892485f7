package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
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
	c := &cobra.Command{
		Use:   "survey [SOURCE]",
		Short: "say who owns every sector of a drive, or list the disks",
		Long:  surveyHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return listDisks(u, "sudo bootgraft survey DISK      a short look at an old drive\n  sudo bootgraft card DISK        what a card is, and what is on it")
			}
			if args[0] == "next" || input.IsDevice(args[0]) {
				return shortLook(u, c.Context(), args[0])
			}
			f.Bar, f.Shows = u.Bar, true
			src, err := input.OpenSource(args[0], f)
			if err != nil {
				return refusedSource(u, err)
			}
			defer src.Close()
			src.SayDamage(u)
			s, err := runSurvey(c, u, src)
			if err != nil {
				return err
			}
			outside, err := s.Outside(c.Context(), src)
			if err != nil {
				return err
			}
			if u.JSON {
				return u.Object(document.KindSurvey, withCandidates(surveyObject(&s.Map), outside))
			}
			showSurvey(u, args[0], &s.Map)
			showCandidates(u, outside)
			u.Answerf("\nNext, plan the card; N is its number of sectors:\n\n  bootgraft plan %s --size Ns%s -o card.plan\n", words.Shell(args[0]), f.Words())
			return nil
		},
	}
	f.Add(c)
	input.AcceptFlag(c.Flags(), &f.Accept)
	return c
}

func runSurvey(c *cobra.Command, u *talk.UI, src *input.Source) (*scan.Survey, error) {
	progress, finish := u.Bar("looking")
	defer finish()
	n := int64(src.SectorSize())
	s, err := scan.Run(c.Context(), src, scan.Options{Progress: func(done, total disk.Sector) {
		progress(int64(done)*n, int64(total)*n)
	}})
	if err != nil {
		return nil, err
	}
	s.Findings = append(s.Findings, src.Findings...)
	return s, nil
}

// showSurvey writes a Map for a person.
func showSurvey(u *talk.UI, path string, m *layout.Map) {
	u.Answerf("%s\n%s\n", filepath.Base(path), disk.SizeText(m.Sectors, m.SectorSize))
	u.Answerf("%s\n\n", tableText(m))
	showRegions(u, m)
	showOtherTables(u, m)
	showFindings(u, m.Findings)
}

func tableText(m *layout.Map) string {
	switch m.Table {
	case "none":
		return "No partition table is in force."
	case "conflict":
		return "Several tables contradict each other; none of them is in force."
	}
	return fmt.Sprintf("Table in force: %s; entries: %d.", m.Table, len(m.Entries))
}

// maxRegionRows keeps the list of a disk with thousands of regions readable.
const maxRegionRows = 40

func showRegions(u *talk.UI, m *layout.Map) {
	u.Answerf("%15s %15s  %-9s %s\n", "first sector", "sectors", "role", "what")
	for i, r := range m.Regions {
		if i == maxRegionRows && len(m.Regions) > maxRegionRows+1 {
			u.Answerf("%33s... and %s more; all of them with --json\n", "", disk.Grouped(len(m.Regions)-i))
			return
		}
		u.Wrapped(fmt.Sprintf("%15s %15s  %-9s ", disk.Grouped(r.Start), disk.Grouped(r.Count), r.Role), regionText(m, r))
	}
}

// regionText says what a region is and what was seen in it.
func regionText(m *layout.Map, r layout.Region) string {
	text := r.Name
	if r.Role == layout.RoleVolume {
		return text + usedText(m, r)
	}
	c := r.Content
	switch {
	case !c.Looked, c.Unread == r.Count:
		return text + ": not looked at"
	case c.Blank:
		text += fmt.Sprintf(": blank (%02X)", c.Fill)
	case c.NonBlank == r.Count:
		text += ": all in use"
	case c.NonBlank > 0:
		text += fmt.Sprintf(": %s in use, %d to %d", disk.Grouped(c.NonBlank), c.First, c.Last)
	}
	if c.Unread > 0 {
		text += fmt.Sprintf("; %s not known", disk.Grouped(c.Unread))
	}
	if r.Anchor == layout.FromEnd {
		text += "; counted from the end"
	}
	if len(c.Signatures) > 0 && r.Role != layout.RoleTable {
		text += "; " + c.Signatures[0]
	}
	return text
}

func usedText(m *layout.Map, r layout.Region) string {
	for _, v := range m.Volumes {
		if v.Start != r.Start {
			continue
		}
		total := int64(v.Count) * int64(m.SectorSize)
		if v.UsedBytes >= 0 {
			return fmt.Sprintf(", %s of %s used", disk.BytesText(v.UsedBytes), disk.BytesText(total))
		}
		return ", " + disk.BytesText(total)
	}
	return ", " + disk.BytesText(int64(r.Count)*int64(m.SectorSize))
}

func showOtherTables(u *talk.UI, m *layout.Map) {
	for _, t := range m.Tables {
		if t.State == layout.InForce || t.State == layout.Stale && len(t.Entries) == 0 {
			continue
		}
		u.Answerf("\nAlso found: table of kind %s, %s; entries: %d\n", t.Kind, t.State, len(t.Entries))
		for _, e := range t.Entries {
			u.Answerf("%15s %15s  entry %d, type %s\n", disk.Grouped(e.Start), disk.Grouped(e.Count), e.Index, e.Type)
		}
	}
}

// showFindings lists findings, the gravest first.
func showFindings(u *talk.UI, findings []disk.Finding) {
	if len(findings) == 0 {
		u.Answerf("\nNothing found wrong.\n")
		return
	}
	u.Answerf("\nFindings:\n")
	for _, want := range []disk.Severity{disk.Refusal, disk.Warning, disk.Note} {
		for _, f := range findings {
			if f.Severity == want {
				showFinding(u, f)
			}
		}
	}
}

func showFinding(u *talk.UI, f disk.Finding) {
	head := string(f.Severity)
	if f.Accepted {
		head = "accepted"
	}
	at := ""
	if f.Sector != disk.NoSector {
		at = fmt.Sprintf(" (sector %s)", disk.Grouped(f.Sector))
	}
	u.Wrapped(fmt.Sprintf("  %-9s", head), fmt.Sprintf("%s%s: %s", f.Code, at, f.Text))
}
