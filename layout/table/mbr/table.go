package mbr

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Table is the partition table of a disk: its boot record and the extended
// boot records that the chains of it lead to.
type Table struct {
	Boot       *Sector
	Sectors    disk.Sector // of the disk
	SectorSize int         // of the disk, bytes
	Findings   []disk.Finding
	Misplaced  bool // entries share sectors or run past the disk: perhaps it is no table

	chain   []*link    // extended boot records, in the order of the walk
	entries []entry    // primaries by record, then logical volumes by the walk
	unread  disk.Spans // extended boot records that could not be read
}

// entry is an entry of the table and where it is written.
type entry struct {
	layout.Entry
	rec  Record
	slot int   // record number in its sector
	link *link // the extended boot record that holds it; nil: sector 0
}

// firstLogical is the index of the first logical volume.
const firstLogical = Records + 1

// Read reads the table of a disk from sector 0, with every chain of extended
// boot records. The error is a *disk.FormatError as Parse returns it, or
// says why sector 0 cannot be read. What is wrong behind sector 0 is in
// Findings.
func Read(src image.Source) (*Table, error) {
	b, err := image.ReadSector(src, 0)
	if err != nil {
		return nil, fmt.Errorf("boot record: %w", err)
	}
	boot, err := Parse(b)
	if err != nil {
		return nil, err
	}
	t := &Table{Boot: boot, Sectors: image.Sectors(src), SectorSize: src.SectorSize()}
	for i := range Records {
		if r := boot.Record(i); r.Used() {
			t.add(i+1, i, r, 0, nil)
		}
	}
	w := walker{src: src, table: t, seen: map[disk.Sector]bool{0: true}, next: firstLogical}
	for _, e := range t.entries {
		if e.Extended {
			w.walk(e)
		}
	}
	t.check()
	if size, ok := t.fitsSectorSize(src); ok {
		t.found(disk.Warningf(disk.OtherSectorSize, 0,
			"the numbers of the partition table fit sectors of %d bytes, but the disk is read with %d: "+
				"volumes begin where the table says only if it counts in sectors of %d bytes; "+
				"read the disk again with that sector size",
			size, t.SectorSize, size))
	}
	return t, nil
}

func (t *Table) found(f disk.Finding) { t.Findings = append(t.Findings, f) }

// add appends an entry; base is what its start is counted from.
func (t *Table) add(index, slot int, r Record, base disk.Sector, l *link) {
	var at disk.Sector
	if l != nil {
		at = l.at
	}
	t.entries = append(t.entries, entry{
		Entry: layout.Entry{
			Span:     r.span(base),
			Index:    index,
			Type:     Code(r.Type),
			TypeName: typeName(r.Type),
			Active:   r.Active(),
			Extended: r.Extended(),
			Table:    at,
			Offset:   tableAt + slot*recordSize,
		},
		rec: r, slot: slot, link: l,
	})
}

// Own returns the sectors of the table itself: sector 0 and every extended
// boot record, also one that could not be read.
func (t *Table) Own() disk.Spans {
	own := []disk.Span{{Start: 0, Count: 1}}
	for _, l := range t.chain {
		own = append(own, disk.Span{Start: l.at, Count: 1})
	}
	return disk.NewSpans(append(own, t.unread...)...)
}

// Entries returns the used entries: primaries by their records, then logical
// volumes from index 5 in the order of their chains.
func (t *Table) Entries() []layout.Entry {
	out := make([]layout.Entry, len(t.entries))
	for i, e := range t.entries {
		out[i] = e.Entry
	}
	return out
}

// Layout returns the table in the common vocabulary. Whether it is in force
// is for the reader of the whole disk to decide; here it is.
func (t *Table) Layout() layout.Table {
	evidence := []string{"55 AA at byte 510 of sector 0, boot flags 00 or 80"}
	if t.Empty() {
		evidence = append(evidence, "no record is used")
	}
	if n := len(t.chain); n > 0 {
		evidence = append(evidence, fmt.Sprintf("%d extended boot records", n))
	}
	var counts layout.Geometry
	if g, ok := t.Geometry(); ok {
		counts = layout.Geometry{Heads: g.Heads, Sectors: g.SectorsPerTrack}
	}
	return layout.Table{
		Geometry:   counts,
		Kind:       "mbr",
		State:      layout.InForce,
		SectorSize: t.SectorSize,
		Own:        t.Own(),
		Entries:    t.Entries(),
		Evidence:   evidence,
	}
}

// Empty tells whether no record of sector 0 is used.
func (t *Table) Empty() bool { return t.Boot.Empty() }

// Protective tells whether the table only protects a GPT.
func (t *Table) Protective() bool { return t.Boot.Protective() }

// Hybrid tells whether the table protects a GPT and has entries of its own.
func (t *Table) Hybrid() bool { return t.Boot.Hybrid() }

// Geometry returns the geometry in which the tuples of the table are counted,
// as impliedGeometry finds it.
func (t *Table) Geometry() (g Geometry, ok bool) { return impliedGeometry(t.tuples()) }

// tuples returns the tuples of the first entries, about as many as
// impliedGeometry looks at.
func (t *Table) tuples() []Tuple {
	var out []Tuple
	for i := range t.entries {
		if len(out) >= maxTuples {
			break
		}
		out = append(out, t.entries[i].tuples()...)
	}
	return out
}

// tuples returns the CHS tuples of the entry; those of an EE record mean
// something else (EFI Specification 1.02, table 16-6).
func (e *entry) tuples() []Tuple {
	if e.rec.Type == TypeGPT {
		return nil
	}
	return e.rec.tuples(e.Start - disk.Sector(e.rec.Start))
}
