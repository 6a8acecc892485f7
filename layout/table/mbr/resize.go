package mbr

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"

	"bootgraft/image/disk"
)

// ResizeError says why an entry cannot have the size that was asked for.
type ResizeError struct {
	Index int // of the entry
	Why   string
}

func (e *ResizeError) Error() string { return fmt.Sprintf("entry %d: %s", e.Index, e.Why) }

func resizeErrorf(index int, why string, args ...any) error {
	return &ResizeError{index, fmt.Sprintf(why, args...)}
}

// Resize renders the sectors of the table that change if entries get new
// sector counts: changes maps the index of an entry, container or volume, to
// its new count. Starts and types stay. With a count go its end tuple, counted
// in the geometry that the table implies, else FE FF FF, and, for a logical
// volume, the link that covers it. Every other byte stays; a sector in which
// nothing changes is not returned, and the table itself is not changed.
//
// The error is a *ResizeError: no such entry, a count outside 1 to 2^32-1, a
// logical volume outside its container, or an overlap that was not there.
func (t *Table) Resize(changes map[int]disk.Sector) (map[disk.Sector][]byte, []disk.Finding, error) {
	r := &resizer{table: t, changes: changes, sectors: map[disk.Sector]*Sector{}}
	r.geometry, _ = t.Geometry()
	for _, index := range slices.Sorted(maps.Keys(changes)) {
		if err := r.entry(index); err != nil {
			return nil, nil, err
		}
	}
	if err := r.checkContainers(); err != nil {
		return nil, nil, err
	}
	if err := r.links(); err != nil {
		return nil, nil, err
	}
	out := map[disk.Sector][]byte{}
	for at, s := range r.sectors {
		if !bytes.Equal(s.raw, t.sectorAt(at).raw) {
			out[at] = s.Bytes()
		}
	}
	return out, r.findings, nil
}

type resizer struct {
	table    *Table
	changes  map[int]disk.Sector
	geometry Geometry
	sectors  map[disk.Sector]*Sector // copies that change
	findings []disk.Finding
}

// sectorAt returns the boot record at a sector, which must be of the table.
func (t *Table) sectorAt(at disk.Sector) *Sector {
	for _, l := range t.chain {
		if l.at == at {
			return l.sector
		}
	}
	return t.Boot
}

func (t *Table) entry(index int) *entry {
	for i := range t.entries {
		if t.entries[i].Index == index {
			return &t.entries[i]
		}
	}
	return nil
}

// after returns the span that an entry will have.
func (r *resizer) after(e *entry) disk.Span {
	if n, ok := r.changes[e.Index]; ok {
		return disk.Span{Start: e.Start, Count: n}
	}
	return e.Span
}

func (r *resizer) entry(index int) error {
	e := r.table.entry(index)
	if e == nil {
		return resizeErrorf(index, "the table has no such entry")
	}
	s := r.after(e)
	if s.Count < 1 || s.Count > math.MaxUint32 {
		return resizeErrorf(index, "%d sectors asked for: the field holds 1 to %d", s.Count, uint32(math.MaxUint32))
	}
	for i := range r.table.entries {
		o := &r.table.entries[i]
		if o.Index != index && separate(e, o) && s.Overlaps(r.after(o)) {
			return resizeErrorf(index, "with %d sectors it would share sectors %s with entry %d", s.Count, s.Common(r.after(o)),
				o.Index)
		}
	}
	if s.Count == e.Count {
		return nil
	}
	if s.Last() > math.MaxUint32 {
		r.findings = append(r.findings, disk.Warningf(disk.EndBeyond32Bit, e.Table,
			"entry %d ends at sector %d, which needs more than 32 bits: some systems find its end elsewhere",
			index, s.Last()))
	}
	r.set(e.Table, e.slot, s)
	return nil
}

// separate tells whether two entries are apart now and must stay so. A
// container and the volumes in it are not.
func separate(a, b *entry) bool {
	return !a.Overlaps(b.Span) && !a.isIn(b) && !b.isIn(a)
}

func (e *entry) isIn(o *entry) bool { return e.link != nil && e.link.container.Index == o.Index }

// checkContainers keeps inside their container the volumes that are there.
func (r *resizer) checkContainers() error {
	for i := range r.table.entries {
		e := &r.table.entries[i]
		if e.link == nil || !e.link.container.Covers(e.Span) {
			continue
		}
		if box := r.after(e.link.container); !box.Covers(r.after(e)) {
			return resizeErrorf(e.Index, "sectors %s, described in sector %d, would not be inside extended partition %d, "+
				"sectors %s: it needs at least %d sectors",
				r.after(e), e.link.at, e.link.container.Index, box, r.after(e).End()-box.Start)
		}
	}
	return nil
}

// links lets every link that must follow cover its extended boot record and
// the volumes in that: those of changed volumes, and those that would reach
// beyond a shortened container.
func (r *resizer) links() error {
	for _, l := range r.table.chain {
		if l.prev == nil {
			continue
		}
		have := l.prev.sector.Record(l.prevSlot).span(l.container.Start)
		want, changed := disk.Span{Start: l.at, Count: 1}, false
		for i := range r.table.entries {
			if e := &r.table.entries[i]; e.link == l {
				s := r.after(e)
				want = disk.Between(want.Start, max(want.End(), s.End()))
				changed = changed || s != e.Span
			}
		}
		box := r.after(l.container)
		if changed || (box != l.container.Span && !box.Covers(have)) {
			if want.Count > math.MaxUint32 {
				return resizeErrorf(l.container.Index,
					"the link in sector %d would have to cover %d sectors: the field holds at most %d",
					l.prev.at, want.Count, uint32(math.MaxUint32))
			}
			r.set(l.prev.at, l.prevSlot, want)
		}
	}
	return nil
}

// set writes the count of a record and the end tuple that goes with it.
func (r *resizer) set(at disk.Sector, slot int, s disk.Span) {
	b := r.sectors[at]
	if b == nil {
		b = r.table.sectorAt(at).Clone()
		r.sectors[at] = b
	}
	old := b.Record(slot).EndCHS
	b.SetCount(slot, uint32(s.Count))
	end := EndCHS(s.Start, s.Count, r.geometry)
	switch {
	case old == CHS{}: // whoever wrote it leaves the field empty
		return
	case old.Overflowed() && (!r.geometry.Known() || end == r.geometry.clamp()):
		return
	case !r.geometry.Known():
		r.findings = append(r.findings, disk.Notef(disk.CHSGeometryUnknown, at,
			"record %d of sector %d: its end is written as FE FF FF, use the sector number, "+
				"because the table does not tell in which geometry its CHS addresses count",
			slot+1, at))
	}
	b.SetEndCHS(slot, end)
}
