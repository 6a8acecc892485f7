package page

import (
	"encoding/hex"
	"fmt"
	"path/filepath"
	"strings"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/geometry"
	"bootgraft/safety/rescue"
)

// Drive is what a report knows of a drive.
type Drive struct {
	Path     string // of the image
	Map      *layout.Map
	Found    []disk.Finding // outside the map
	Counts   *geometry.View // in what the disk is counted; nil if nobody compared
	Identity string         // what it says of itself; empty if nobody asked
	Sector0  []byte         // nil if it is not known
	Faults   drawing.Faults
	Files    *rescue.Result // nil if nobody looked
	Notes    string         // of its owner, as they lie beside the image; empty if there are none
	Program  string         // the version of this program
}

// mostNamed is how many damaged files a report names; the command for all of them
// stands beside.
const mostNamed = 10

// missing returns how many sectors are not known.
func (d *Drive) missing() disk.Sector { return d.Faults.Missing.Sectors() }

// damaged returns how many files are not whole.
func (d *Drive) damaged() int {
	if d.Files == nil {
		return 0
	}
	return d.Files.Damaged
}

// state is the one word for a drive or card in which so many files are damaged.
func (d *Drive) state() string {
	switch n := d.damaged(); {
	case n > 0:
		return disk.Counted(n, "file") + " damaged"
	case d.missing() > 0:
		return disk.Counted(d.missing(), "sector") + " not known; no file is hit that can be listed"
	}
	return "whole"
}

// numbers are what somebody who helps asks for.
func (d *Drive) numbers(more ...report.Fact) (out report.Facts) {
	first, last := d.usedOutside()
	out.Add("sectors", disk.Grouped(d.Map.Sectors))
	out.Add("bytes in a sector", disk.Grouped(d.Map.SectorSize))
	out.Add("table", d.Map.Table)
	out.Add("sector 0 begins", d.begins())
	out.Add("outside volumes, first sector in use", first)
	out.Add("outside volumes, last sector in use", last)
	out.Add("volumes", d.volumes())
	out.Add("sectors not known", disk.Grouped(d.missing()))
	out.Add("tail", d.tail())
	if d.Identity != "" {
		out.Add("drive", d.Identity)
	}
	out = append(out, more...)
	out.Add("program", d.Program)
	return out
}

// usedOutside names the first and the last sector in use outside volumes.
func (d *Drive) usedOutside() (first, last string) {
	first, last = "none", "none"
	for _, r := range d.Map.Regions {
		if r.Role == layout.RoleVolume || r.Content.NonBlank == 0 {
			continue
		}
		if first == "none" {
			first = disk.Grouped(r.Content.First)
		}
		last = disk.Grouped(r.Content.Last)
	}
	return first, last
}

func (d *Drive) begins() string {
	if len(d.Sector0) < 16 {
		return "not known"
	}
	return strings.ToUpper(hex.EncodeToString(d.Sector0[:16]))
}

func (d *Drive) volumes() string {
	var out []string
	for _, v := range d.Map.Volumes {
		out = append(out, fmt.Sprintf("%s from sector %s, %s", v.Kind, disk.Grouped(v.Start),
			disk.Counted(v.Count, "sector")))
	}
	if out == nil {
		return "none that is known here"
	}
	return strings.Join(out, "; ")
}

func (d *Drive) tail() string {
	for _, r := range d.Map.Regions {
		if r.Role == layout.RoleTail {
			return fmt.Sprintf("%s from sector %s, %s in use", disk.Counted(r.Count, "sector"), disk.Grouped(r.Start),
				disk.Grouped(r.Content.NonBlank))
		}
	}
	if d.Map.TailUndecided {
		return "cannot be told from a recording"
	}
	return "none"
}

// damagedPart names files that are not whole.
func (d *Drive) damagedPart() report.Part {
	if d.damaged() == 0 {
		return report.Part{}
	}
	var list report.List
	for i := range d.Files.Files {
		f := &d.Files.Files[i]
		if f.Whole() {
			continue
		}
		if len(list) == mostNamed {
			break
		}
		list = append(list, fmt.Sprintf("volume %d: /%s: %s", f.Volume, f.Path, oneLine(damage(f, 2))))
	}
	p := report.NewPart(fmt.Sprintf("Damaged files: %s of %s", disk.Grouped(d.damaged()),
		disk.Grouped(len(d.Files.Files))), list)
	if more := d.damaged() - len(list); more > 0 {
		p.Blocks = append(p.Blocks, report.Textf("And %s more. All of them:", disk.Grouped(more)))
	}
	p.Blocks = append(p.Blocks, report.Typed("bootgraft files "+words.Shell(d.Path)+" --brief"))
	return p
}

// oneLine joins lines that are set below each other elsewhere.
func oneLine(lines []string) string {
	for i := range lines {
		lines[i] = strings.TrimSpace(lines[i])
	}
	return strings.Join(lines, "; ")
}

// bootPart says of everything that a device may need to start whether it is whole.
func (d *Drive) bootPart() report.Part {
	t := report.NewTable("first sector> | sectors> | whose | state")
	t.Most, t.Rest = maxRegionRows, restInSurvey
	for _, r := range d.Map.Regions {
		if r.Role == layout.RoleVolume || r.Content.Looked && r.Content.NonBlank+r.Content.Unread == 0 {
			continue
		}
		gone := d.Faults.Missing.Within(r.Span)
		state := "whole"
		if n := gone.Sectors(); n > 0 {
			state = fmt.Sprintf("%s not known: %s", disk.Counted(n, "sector"), spanList(gone))
		} else if n := d.Faults.Unstable.Within(r.Span).Sectors(); n > 0 {
			state = fmt.Sprintf("%s answered differently from one time to the next", disk.Counted(n, "sector"))
		}
		t.Add(disk.Grouped(r.Start), disk.Grouped(r.Count), r.Name, state)
	}
	if t.Rows == nil {
		return report.NewPart("Boot area", report.Text("Nothing is in use outside the volumes."))
	}
	return report.NewPart("Boot area: what a device may need to start", t)
}

// spanList names the first spans of a set.
func spanList(spans disk.Spans) string {
	list := textsOf(spans, func(s *disk.Span) string {
		if s.Count == 1 {
			return disk.Grouped(s.Start)
		}
		return fmt.Sprintf("%s to %s", disk.Grouped(s.Start), disk.Grouped(s.Last()))
	})
	return strings.Join(someOf(list, 4, "and %s more runs"), ", ")
}

// drawn is the picture of the drive, and of a card if there is one.
func drawn(heading string, p *drawing.Picture) report.Part {
	return report.NewPart(heading, report.Drawing{Picture: p, Title: heading})
}

// Names gathers what a page for strangers must not hold.
func (d *Drive) Names(more ...string) *report.Names {
	n := report.NewNames()
	d.AddTo(n, more...)
	return n
}

// AddTo adds them to others.
func (d *Drive) AddTo(n *report.Names, more ...string) {
	for _, v := range d.Map.Volumes {
		n.Add(report.Label, v.Label)
		n.Add(report.Serial, v.ID)
	}
	for _, e := range d.Map.Entries {
		n.Add(report.Label, e.Name)
	}
	for _, r := range d.Map.Regions {
		for _, s := range r.Content.Signatures {
			n.Add(report.String, s)
		}
	}
	n.Add(report.Serial, d.Identity)
	if d.Files != nil {
		for i := range d.Files.Files {
			n.AddFile(d.Files.Files[i].Path)
		}
	}
	if d.Map.Table != "mbr" && d.Map.Table != "gpt" {
		n.Give(d.begins(), "not shown: no table is known whose code this is")
	}
	AddPaths(n, append(more, d.Path)...)
}

// placeholder stands for a path in a line to type.
func placeholder(path string) string {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".plan":
		return "PLAN"
	case ".kit":
		return "KIT"
	case ".receipt":
		return "RECEIPT"
	case "":
		return "DISK"
	}
	return "IMAGE"
}

// notesPart is what was seen at the bench. It is for its owner: no list of names could
// say what must not be shown of it.
func (d *Drive) notesPart() report.Part {
	text := strings.ReplaceAll(strings.TrimPrefix(d.Notes, "\uFEFF"), "\r\n", "\n")
	return report.Private("Notes of the bench", report.Typed(strings.TrimSpace(words.Visible(text))))
}

// cautionsPart is the usual cautions; SAFETY.md has all of them.
func cautionsPart() report.Part {
	return report.NewPart("Take care", report.List{
		"Never let the device write to the old drive, and never answer its question to format with the old drive inside.",
		"Mains and battery voltages, charged capacitors, static discharge and hot tools can hurt you and the " +
			"device. Unplug " +
			"it, take out the battery, follow your local rules, and leave to licensed people what is theirs.",
		"Machines that move: drives off and emergency stop pressed at the first start. Headphones off the ears.",
	})
}
