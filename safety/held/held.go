// Package held finds out what a card holds now, and how it lies on the card: what
// would be lost if it were written.
package held

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/volume/probe"
	"bootgraft/safety"
)

// Card is what a card holds now.
type Card struct {
	Lines  []string   // for a person, one for the table and one for each volume
	Files  int        // regular files of all volumes that can be listed
	Closed bool       // a volume is there whose files cannot be listed
	Names  []string   // volumes of kinds of which only the name is known
	Other  otherUse   // what lies outside every table and volume
	Tables disk.Spans // sectors of every partition table found, in force or not
	Survey *layout.Map

	Known disk.Spans // sectors of all tables and volumes
}

// otherUse are sectors that were looked at, are not blank, and belong to nothing
// that is known.
type otherUse struct{ Sectors, First disk.Sector }

// HoldsUnknown tells whether something is there of which nobody can say what
// would be lost.
func (c *Card) HoldsUnknown() bool { return len(c.Names) > 0 || c.Other.Sectors > 0 }

// UnknownText says what that is.
func (c *Card) UnknownText() string {
	parts := slices.Clone(c.Names)
	if c.Other.Sectors > 0 {
		parts = append(parts, otherText(c.Other))
	}
	return strings.Join(parts, "; ")
}

func otherText(o otherUse) string {
	verb := "belong"
	if o.Sectors == 1 {
		verb = "belongs"
	}
	return fmt.Sprintf(
		"%s in use that %s to nothing known here, the first is sector %s: a device may keep recordings so",
		disk.Counted(o.Sectors, "sector"), verb, disk.Grouped(o.First))
}

// HoldsFiles tells whether files may be lost when the card is written.
func (c *Card) HoldsFiles() bool { return c.Files > 0 || c.Closed }

// Look finds out what a card holds, by reading its tables and
// directories alone.
func Look(ctx context.Context, src image.Source) (*Card, error) {
	looked, ok := src.(*safety.Looked)
	if !ok {
		looked = safety.LookThrough(src)
	}
	// All is read through one Looked: the confirmation word stands for what it has read,
	// and the same sectors are read again before the fence.
	g := &scan.Glance{Source: looked}
	s, err := scan.Run(ctx, g, scan.Options{Short: true})
	if err != nil {
		return nil, err
	}
	c := &Card{Survey: s}
	for _, t := range s.Tables {
		c.Tables = c.Tables.Union(t.Own)
	}
	listed, err := countFiles(ctx, g, s)
	if err != nil {
		return nil, err
	}
	if _, err := looked.Ends(); err != nil && g.Failed == nil {
		g.Failed = err
	}
	c.Lines = append(c.Lines, heldTable(s))
	c.takeVolumes(listed)
	if c.Other.Sectors, c.Other.First = looked.Used(c.Known, nil); c.Other.Sectors > 0 {
		c.Lines = append(c.Lines, otherText(c.Other))
	}
	if bad := looked.Unread(); len(bad) > 0 && g.Failed == nil {
		g.Failed = fmt.Errorf("%s cannot be read, the first is sector %s", disk.Counted(bad.Sectors(), "sector"),
			disk.Grouped(bad[0].Start))
	}
	if g.Failed != nil {
		// What could not be read may hold files: whoever writes is asked as if it did.
		c.Closed = true
		c.Lines = append(c.Lines, fmt.Sprintf("and perhaps more, for not everything could be read: %v", g.Failed))
	}
	return c, nil
}

// takeVolumes says of each volume what it holds.
func (c *Card) takeVolumes(listed map[int]*volumeFiles) {
	c.Known = c.Tables
	for i := range c.Survey.Volumes {
		v := &c.Survey.Volumes[i]
		text := heldVolume(v, int64(v.Count)*int64(c.Survey.SectorSize), listed[v.Index])
		c.Lines = append(c.Lines, text)
		c.Known = c.Known.Union(disk.NewSpans(v.Span))
		switch l := listed[v.Index]; {
		case l != nil:
			c.Files += l.count
		case probe.NameOnly(v.Kind):
			c.Names = append(c.Names, text)
		default:
			c.Closed = c.Closed || v.Kind != "swap"
		}
	}
}

// volumeFiles sums up the files of one volume.
type volumeFiles struct {
	count  int
	newest time.Time
}

// countFiles sums up the files of every volume that can be listed, by its index.
func countFiles(ctx context.Context, src image.Source, s *layout.Map) (map[int]*volumeFiles, error) {
	listed := map[int]*volumeFiles{}
	for _, i := range files.Volumes(s) {
		listed[i] = &volumeFiles{}
	}
	_, err := files.Walk(ctx, src, s, files.Options{}, func(f *files.File) error {
		v := listed[f.Volume]
		v.count++
		if f.Modified.After(v.newest) {
			v.newest = f.Modified
		}
		return nil
	})
	return listed, err
}

func heldTable(s *layout.Map) string {
	switch {
	case s.Table == "none" && len(s.Volumes) == 0:
		return "no partition table and no volume that is known here"
	case s.Table == "none":
		return "no partition table"
	}
	return fmt.Sprintf("a partition table of kind %s, entries: %d", s.Table, len(s.Entries))
}

// heldVolume describes a volume: FAT32 "NAME", 1,203 files, the newest of ...
func heldVolume(v *layout.Volume, bytes int64, l *volumeFiles) string {
	text := strings.ToUpper(v.Kind)
	if v.Label != "" {
		text += fmt.Sprintf(" %q", v.Label)
	}
	text += ", " + disk.BytesText(bytes)
	switch {
	case l == nil && probe.NameOnly(v.Kind):
		return text + ", of which only the name is known here"
	case l == nil:
		return text + ", files that cannot be listed here"
	case l.count == 0:
		return text + ", no files"
	}
	text += ", " + disk.Counted(l.count, "file")
	if !l.newest.IsZero() {
		text += ", the newest of " + l.newest.Format("2 January 2006")
	}
	return text
}
