// Package page writes answers for a person: each page is made from values that
// somebody else read and reckoned, and is text alone. A page opens no file and no
// device, decides nothing and ends nothing; the objects for scripts are elsewhere.
package page

import (
	"fmt"
	"path/filepath"
	"slices"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Survey writes a Map for a person, with what else was found.
func Survey(u *talk.UI, path string, m *layout.Map, more ...disk.Finding) {
	u.Answerf("%s\n%s\n", sourceName(path), disk.SizeText(m.Sectors, m.SectorSize))
	u.Answerf("%s\n%s", words.Fold("", tableText(m)), regionTable(m).Screen())
	showOtherTables(u, m)
	Findings(u, slices.Concat(m.Findings, more))
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

// runColumns are those of a table of runs of sectors.
const runColumns = "first sector>15 | sectors>15 | role<9 | what"

// regionTable lists who owns what.
func regionTable(m *layout.Map) report.Table {
	t := report.TableOf(runColumns, len(m.Regions), func(i int) []string {
		r := &m.Regions[i]
		return []string{disk.Grouped(r.Start), disk.Grouped(r.Count), string(r.Role), regionText(m, *r)}
	})
	t.Most, t.Rest = maxRegionRows, restInSurvey
	return t
}

// maxRegionRows keeps the list of a disk with thousands of regions readable.
const maxRegionRows = 40

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
		text += ": " + disk.Grouped(c.NonBlank) + " in use, " + disk.Grouped(c.First)
		if c.Last > c.First {
			text += " to " + disk.Grouped(c.Last)
		}
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

// sourceName is the last part of a path; the name of a disk of Windows has none.
func sourceName(path string) string {
	if _, ok := image.WindowsDisk(path); ok {
		return path
	}
	return filepath.Base(path)
}

// SurveyBrief is the first screen about a drive.
func SurveyBrief(d *Drive, next func(u *talk.UI)) *Brief {
	b := &Brief{
		Verdict: []string{fmt.Sprintf("%s: %s", words.Printable(d.Path), disk.SizeText(d.Map.Sectors, d.Map.SectorSize)),
			surveyVerdict(d)},
		Findings: append(append([]disk.Finding{}, d.Map.Findings...), d.Found...), Next: next,
	}
	first, last := d.usedOutside()
	if first != last {
		first += " to " + last
	}
	outside := "in use from sector " + first
	if first == "none" {
		outside = "nothing is in use outside volumes"
	}
	b.Facts.Add("table", d.Map.Table)
	b.Facts.Add("volumes", d.volumes())
	b.Facts.Add("outside", outside)
	b.Facts.Add("tail", d.tail())
	b.Facts.Add("not known", disk.Counted(d.missing(), "sector"))
	return b
}

// SurveyReport is the page of a drive.
func SurveyReport(d *Drive, next string) *report.Report {
	r := &report.Report{
		Title: fmt.Sprintf("A drive of %s", disk.SizeText(d.Map.Sectors, d.Map.SectorSize)), State: d.state(),
		Good: d.missing() == 0 && d.damaged() == 0, Next: []string{next}, Written: d.Program, Verdict: surveyVerdict(d),
	}
	d.fill(r, Answer{})
	return r
}

// surveyVerdict says in one sentence what is known of a drive.
func surveyVerdict(d *Drive) string {
	text := fmt.Sprintf("Every sector has an owner: %s, %s", disk.Counted(len(d.Map.Regions), "run"),
		disk.Counted(len(d.Map.Volumes), "known volume"))
	if n := d.missing(); n > 0 {
		text += "; what " + sectors(n, "hold is not known")
	}
	return text + "."
}
