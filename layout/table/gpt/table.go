package gpt

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/mbr"
)

// Table is the GUID partition table of a disk.
type Table struct {
	Sectors    disk.Sector // of the disk
	SectorSize int         // of the disk, bytes
	MBR        *mbr.Sector // boot record in sector 0; nil if there is none that parses
	Primary    *Copy       // the copy at sector 1
	Backup     *Copy       // the backup table, or the place where it should be
	InForce    *Copy       // the valid copy that describes the disk: Primary if it is valid
	Findings   []disk.Finding
}

// Read reads both copies of the table; one valid copy is enough. Without one
// the error is a *disk.FormatError: Absent if nothing shows that there ever
// was a table, Malformed or Unsupported if a header or a protective record
// does. If parts that decide this cannot be read it says so instead.
func Read(src image.Source) (*Table, error) {
	t := &Table{Sectors: image.Sectors(src), SectorSize: src.SectorSize()}
	if t.Sectors < 3 {
		return nil, disk.Absentf(format, 0, -1, "a disk of %d sectors has no room for one", t.Sectors)
	}
	mbrErr := t.readMBR(src)
	t.Primary = readCopy(src, 1)
	t.Backup = t.findBackup(src)
	switch {
	case t.Primary.Valid():
		t.InForce = t.Primary
	case t.Backup.Valid():
		t.InForce = t.Backup
	default:
		return nil, t.whyNone()
	}
	t.checkMBR(mbrErr)
	t.checkCopies()
	t.checkEntries()
	return t, nil
}

// OtherSectorSize returns the sector size, in bytes, with which src would have to be
// read for a header that calls its place sector 1 (EFI Specification 1.02, table 16-1)
// to lie there. It is 0 if there is none, or nobody knows.
func OtherSectorSize(src image.Source) int {
	for _, size := range []int{512, 1024, 2048, 4096} {
		b := make([]byte, 32)
		if size == src.SectorSize() || image.ReadFull(src, b, int64(size)) != nil {
			continue
		}
		if string(b[:8]) == signature && binary.LittleEndian.Uint64(b[24:]) == 1 {
			return size
		}
	}
	return 0
}

func (t *Table) readMBR(src image.Source) error {
	b, err := image.ReadSector(src, 0)
	if err == nil {
		t.MBR, err = mbr.Parse(b)
	}
	return err
}

// findBackup looks for the backup table: where the first says, at the end of
// the disk, and where a primary table that is damaged, or the protective record,
// shows the end of the disk to have been. If no place holds a valid one, the
// result is the first place that holds a header at all, else the last sector.
func (t *Table) findBackup(src image.Source) *Copy {
	var places []uint64
	last := uint64(t.Sectors - 1)
	if h := t.Primary.Header; h != nil && t.Primary.Valid() {
		places = append(places, h.Alternate(), last)
	} else if h != nil {
		places = append(places, last, h.Alternate())
	} else {
		places = append(places, last)
	}
	if _, r, ok := protective(t.MBR); ok {
		places = append(places, uint64(r.Start)+uint64(r.Count)-1)
	}
	var best *Copy
	seen := map[uint64]bool{0: true, 1: true}
	for _, at := range places {
		if at > last || seen[at] {
			continue
		}
		seen[at] = true
		c := readCopy(src, disk.Sector(at))
		if c.Valid() {
			return c
		}
		if best == nil || (best.Header == nil && c.Header != nil) {
			best = c
		}
	}
	return best
}

// whyNone explains that no copy is valid: a header that is broken first, then
// a disk that says it is something else, then what cannot be read.
func (t *Table) whyNone() error {
	a, b := t.Primary, t.Backup
	if a.Header == nil && b.Header != nil {
		a, b = b, a
	}
	if a.Header != nil {
		return fmt.Errorf("%w; the other copy: %v", a.Fault, b.Fault)
	}
	_, _, protected := protective(t.MBR)
	for _, c := range []*Copy{a, b} {
		if absent(c.Fault) == protected {
			continue
		}
		if protected {
			return fmt.Errorf("GPT: %w", c.Fault)
		}
		return c.Fault
	}
	if protected {
		return disk.Malformedf(format, 1, 0,
			"the boot record has a protective record of type EE, but there is no header in sector %d and none in "+
				"sector %d",
			a.At, b.At)
	}
	return fmt.Errorf("GPT: %w", a.Fault)
}

func absent(err error) bool {
	var f *disk.FormatError
	return errors.As(err, &f) && f.Fault == disk.Absent
}

// Entries returns every entry of the copy in force, used or not; entry i has
// index i+1.
func (t *Table) Entries() []Entry { return t.InForce.Entries() }

// DiskGUID returns the identifier of the disk.
func (t *Table) DiskGUID() GUID { return t.InForce.Header.DiskGUID() }

// primarySpans returns the sectors of the primary table, without sector 0.
func (t *Table) primarySpans() disk.Spans { return t.Primary.Spans() }

// backupSpans returns the sectors of the backup table.
func (t *Table) backupSpans() disk.Spans { return t.Backup.Spans() }

// ends returns the first sector after the disk that the table describes.
func (t *Table) ends() disk.Sector {
	h := t.InForce.Header
	return disk.Sector(min(max(h.MyLBA(), h.Alternate()), math.MaxInt64-1)) + 1
}

// Layout returns the table in the common vocabulary. Sector 0 is not among
// its own sectors: it holds a boot record, which may be more than protective.
// Entries that end before they begin are left out; a finding names them.
func (t *Table) Layout() layout.Table {
	h := t.InForce.Header
	out := layout.Table{
		Kind:       "gpt",
		State:      layout.InForce,
		SectorSize: t.SectorSize,
		Own:        t.primarySpans().Union(t.backupSpans()),
		Ends:       t.ends(),
		Evidence:   []string{t.Primary.describe("first"), t.Backup.describe("second")},
	}
	for i, e := range t.Entries() {
		s, ok := e.span()
		if !e.Used() || !ok {
			continue
		}
		at := int64(i) * int64(h.EntrySize())
		out.Entries = append(out.Entries, layout.Entry{
			Span:     s,
			Index:    i + 1,
			Type:     e.Type.String(),
			TypeName: typeName(e.Type),
			Name:     e.Name,
			Active:   e.Attributes&attrLegacyActive != 0,
			Table:    disk.Sector(h.EntryLBA()) + disk.Sector(at/int64(t.SectorSize)),
			Offset:   int(at % int64(t.SectorSize)),
		})
	}
	return out
}

func (c *Copy) describe(which string) string {
	if c.Valid() {
		return fmt.Sprintf("%s copy: header in sector %d, entries in sectors %s, CRCs right", which, c.At, c.Header.array())
	}
	return fmt.Sprintf("%s copy: %v", which, c.Fault)
}
