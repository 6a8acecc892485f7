package mbr

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// check adds what is wrong with the entries to the findings.
func (t *Table) check() {
	for i := range Records {
		t.checkUnused(t.Boot.Record(i), 0, i)
	}
	t.checkActive()
	t.checkPlaces()
	t.checkCHS()
}

// checkUnused says what a record that describes nothing still holds.
func (t *Table) checkUnused(r Record, at disk.Sector, slot int) {
	switch {
	case r.Type != 0 && r.Count == 0:
		t.found(disk.Notef(disk.ZeroLengthEntry, at,
			"record %d of sector %d has type %s and no sectors: it describes nothing and is kept as it is",
			slot+1, at, Code(r.Type)))
	case r.Type == 0 && r.Count != 0:
		t.found(disk.Notef(disk.ZeroTypeEntry, at,
			"record %d of sector %d has type 00 and names sectors %s, counted from its own base: "+
				"it may be ignored, and some systems do not",
			slot+1, at, r.span(0)))
	}
}

func (t *Table) checkActive() {
	n := 0
	for i := range Records {
		if t.Boot.Record(i).Active() {
			n++
		}
	}
	if n > 1 {
		t.found(disk.Warningf(disk.SeveralActive, 0, "%d entries are marked active: a boot record that wants exactly "+
			"one stops here", n))
	}
}

// checkPlaces compares the entries with the disk and with each other. A
// protective record covers the others on purpose.
func (t *Table) checkPlaces() {
	var list []layout.Entry
	for _, e := range t.entries {
		if e.rec.Type == TypeGPT {
			continue
		}
		list = append(list, e.Entry)
		if !e.Extended && (e.Holds(0) || e.Holds(e.Table)) {
			t.found(disk.Warningf(disk.EntryCoversTable, e.Table,
				"entry %d, sectors %s, covers sectors of the partition table: whoever formats it destroys the table",
				e.Index, e.Span))
		}
	}
	wrong := layout.CheckEntries(list, t.Sectors)
	t.Findings = append(t.Findings, wrong...)
	t.Misplaced = len(wrong) > 0
	primaries := slices.DeleteFunc(list, func(e layout.Entry) bool { return e.Index > Records })
	for i, e := range primaries {
		for k, o := range primaries {
			if o.Extended && o.Overlaps(e.Span) && (!e.Extended || i < k) {
				t.Misplaced = true
				t.found(disk.Warningf(disk.EntriesOverlap, 0,
					"entry %d (%s) and the extended partition %d (%s) share sectors %s: "+
						"writing to one changes the other",
					e.Index, e.Span, o.Index, o.Span, e.Common(o.Span)))
			}
		}
	}
}

// checkCHS judges every tuple in the geometry that the tuples imply together.
func (t *Table) checkCHS() {
	g, ok := t.Geometry()
	stated := 0
	for i := range t.entries {
		e := &t.entries[i]
		for k, c := range e.tuples() {
			if c.stated() {
				stated++
			}
			if ok && !c.agrees(g) {
				t.found(disk.Notef(disk.CHSMismatch, e.Table,
					"entry %d: its %s is written as cylinder %d, head %d, sector %d, "+
						"which is not sector %d in the geometry of the other entries (%d heads, %d sectors a track): "+
						"old firmware that reads CHS finds another place",
					e.Index, [...]string{"start", "end"}[k], c.C, c.H, c.S, c.At, g.Heads, g.SectorsPerTrack))
			}
		}
	}
	if !ok && stated > 1 && !t.anyGeometry() {
		t.found(disk.Notef(disk.CHSMismatch, 0,
			"the CHS addresses of the table fit no single geometry: old firmware that reads CHS may find other "+
				"places than the sector numbers say"))
	}
}

// anyGeometry tells whether at least one geometry suits every tuple.
func (t *Table) anyGeometry() bool {
	tuples := t.tuples()
	for heads := 1; heads <= 256; heads++ {
		for spt := 1; spt <= 63; spt++ {
			g := Geometry{heads, spt}
			if !slices.ContainsFunc(tuples, func(c Tuple) bool { return !c.agrees(g) }) {
				return true
			}
		}
	}
	return false
}
