package mbr

import (
	"cmp"
	"slices"

	"bootgraft/layout"
)

// check adds what is wrong with the entries to the findings.
func (t *Table) check() {
	for i := range Records {
		t.checkUnused(t.Boot.Record(i), 0, i)
	}
	t.checkActive()
	for i := range t.entries {
		t.checkPlace(&t.entries[i])
	}
	told := map[[2]int]bool{}
	t.checkOverlaps(told, func(e *entry) bool { return e.link == nil })
	t.checkOverlaps(told, func(e *entry) bool { return !e.Extended })
	t.checkCHS()
}

// checkUnused says what a record that describes nothing still holds.
func (t *Table) checkUnused(r Record, at layout.Sector, slot int) {
	switch {
	case r.Type != 0 && r.Count == 0:
		t.found(layout.Notef("zero-length-entry", at, "record %d of sector %d has type %s and no sectors: it describes nothing and is kept as it is", slot+1, at, Code(r.Type)))
	case r.Type == 0 && r.Count != 0:
		t.found(layout.Notef("zero-type-entry", at, "record %d of sector %d has type 00 and names sectors %s, counted from its own base: it may be ignored, and some systems do not", slot+1, at, r.span(0)))
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
		t.found(layout.Warningf("several-active", 0, "%d entries are marked active: a boot record that wants exactly one stops here", n))
	}
}

func (t *Table) checkPlace(e *entry) {
	if e.End() > t.Sectors && e.rec.Type != TypeGPT {
		t.found(layout.Warningf("entry-past-end", e.Table, "entry %d, sectors %s, ends at sector %d, but the disk has %d sectors (%d bytes too few): what lies behind the end is not there", e.Index, e.Span, e.End(), t.Sectors, int64(e.End()-t.Sectors)*int64(t.SectorSize)))
	}
	if e.Extended || e.rec.Type == TypeGPT {
		return
	}
	if e.Holds(0) || e.Holds(e.Table) {
		t.found(layout.Warningf("entry-covers-table", e.Table, "entry %d, sectors %s, covers sectors of the partition table: whoever formats it destroys the table", e.Index, e.Span))
	}
}

// checkOverlaps compares the entries that pick chooses and tells of a pair
// once. A protective record overlaps the others on purpose.
func (t *Table) checkOverlaps(told map[[2]int]bool, pick func(*entry) bool) {
	var list []*entry
	for i := range t.entries {
		if e := &t.entries[i]; e.rec.Type != TypeGPT && pick(e) {
			list = append(list, e)
		}
	}
	slices.SortStableFunc(list, func(a, b *entry) int { return cmp.Compare(a.Start, b.Start) })
	var far *entry // the entry before that reaches farthest
	for _, e := range list {
		if far != nil && far.Overlaps(e.Span) && !told[[2]int{far.Index, e.Index}] {
			told[[2]int{far.Index, e.Index}] = true
			t.found(overlap(far, e))
		}
		if far == nil || e.End() > far.End() {
			far = e
		}
	}
}

func overlap(a, b *entry) layout.Finding {
	c := a.Common(b.Span)
	return layout.Warningf("entries-overlap", c.Start, "entries %d (%s) and %d (%s) share sectors %s: writing to one changes the other", a.Index, a.Span, b.Index, b.Span, c)
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
				t.found(layout.Notef("chs-mismatch", e.Table, "entry %d: its %s is written as cylinder %d, head %d, sector %d, which is not sector %d in the geometry of the other entries (%d heads, %d sectors a track): old firmware that reads CHS finds another place", e.Index, [...]string{"start", "end"}[k], c.C, c.H, c.S, c.At, g.Heads, g.SectorsPerTrack))
			}
		}
	}
	if !ok && stated > 1 && !t.anyGeometry() {
		t.found(layout.Notef("chs-mismatch", 0, "the CHS addresses of the table fit no single geometry: old firmware that reads CHS may find other places than the sector numbers say"))
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
