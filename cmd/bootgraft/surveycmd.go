package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

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

func surveyCommand(u *ui) *cobra.Command {
	var f sourceFlags
	c := &cobra.Command{
		Use:   "survey [SOURCE]",
		Short: "say who owns every sector of a drive, or list the disks",
		Long:  surveyHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return u.listDisks("sudo bootgraft survey DISK      a short look at an old drive\n  sudo bootgraft card DISK        what a card is, and what is on it")
			}
			if args[0] == "next" || isDevice(args[0]) {
				return u.shortLook(c.Context(), args[0])
			}
			f.bar, f.shows = u.bar, true
			src, err := openSource(args[0], f)
			if err != nil {
				return u.refusedSource(err)
			}
			defer src.close()
			src.sayDamage(u)
			s, err := runSurvey(c, u, src)
			if err != nil {
				return err
			}
			outside, err := s.Outside(c.Context(), src)
			if err != nil {
				return err
			}
			if u.json {
				return u.object(withCandidates(surveyObject(&s.Map), outside))
			}
			u.showSurvey(args[0], &s.Map)
			u.showCandidates(outside)
			u.answerf("\nNext, plan the card; N is its number of sectors:\n\n  bootgraft plan %s --size Ns%s -o card.plan\n", shellWord(args[0]), f.words())
			return nil
		},
	}
	f.add(c)
	c.Flags().StringArrayVar(&f.accept, "accept", nil, "accept a finding by its code; may be repeated")
	return c
}

func runSurvey(c *cobra.Command, u *ui, src *opened) (*scan.Survey, error) {
	progress, finish := u.bar("looking")
	defer finish()
	n := int64(src.SectorSize())
	s, err := scan.Run(c.Context(), src, scan.Options{Progress: func(done, total disk.Sector) {
		progress(int64(done)*n, int64(total)*n)
	}})
	if err != nil {
		return nil, err
	}
	s.Findings = append(s.Findings, src.findings...)
	return s, nil
}

// showSurvey writes a Map for a person.
func (u *ui) showSurvey(path string, m *layout.Map) {
	u.answerf("%s\n%s\n", filepath.Base(path), diskText(m.Sectors, m.SectorSize))
	u.answerf("%s\n\n", tableText(m))
	u.showRegions(m)
	u.showOtherTables(m)
	u.showFindings(m.Findings)
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

func (u *ui) showRegions(m *layout.Map) {
	u.answerf("%15s %15s  %-9s %s\n", "first sector", "sectors", "role", "what")
	for i, r := range m.Regions {
		if i == maxRegionRows && len(m.Regions) > maxRegionRows+1 {
			u.answerf("%33s... and %s more; all of them with --json\n", "", grouped(len(m.Regions)-i))
			return
		}
		u.wrapped(fmt.Sprintf("%15s %15s  %-9s ", grouped(r.Start), grouped(r.Count), r.Role), regionText(m, r))
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
		text += fmt.Sprintf(": %s in use, %d to %d", grouped(c.NonBlank), c.First, c.Last)
	}
	if c.Unread > 0 {
		text += fmt.Sprintf("; %s not known", grouped(c.Unread))
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
			return fmt.Sprintf(", %s of %s used", bytesText(v.UsedBytes), bytesText(total))
		}
		return ", " + bytesText(total)
	}
	return ", " + bytesText(int64(r.Count)*int64(m.SectorSize))
}

func (u *ui) showOtherTables(m *layout.Map) {
	for _, t := range m.Tables {
		if t.State == layout.InForce || t.State == layout.Stale && len(t.Entries) == 0 {
			continue
		}
		u.answerf("\nAlso found: table of kind %s, %s; entries: %d\n", t.Kind, t.State, len(t.Entries))
		for _, e := range t.Entries {
			u.answerf("%15s %15s  entry %d, type %s\n", grouped(e.Start), grouped(e.Count), e.Index, e.Type)
		}
	}
}

// showFindings lists findings, the gravest first.
func (u *ui) showFindings(findings []disk.Finding) {
	if len(findings) == 0 {
		u.answerf("\nNothing found wrong.\n")
		return
	}
	u.answerf("\nFindings:\n")
	for _, want := range []disk.Severity{disk.Refusal, disk.Warning, disk.Note} {
		for _, f := range findings {
			if f.Severity == want {
				u.showFinding(f)
			}
		}
	}
}

func (u *ui) showFinding(f disk.Finding) {
	head := string(f.Severity)
	if f.Accepted {
		head = "accepted"
	}
	at := ""
	if f.Sector != disk.NoSector {
		at = fmt.Sprintf(" (sector %s)", grouped(f.Sector))
	}
	u.wrapped(fmt.Sprintf("  %-9s", head), fmt.Sprintf("%s%s: %s", f.Code, at, f.Text))
}
