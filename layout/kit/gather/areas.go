// Package gather finds out what goes into a kit: which areas of a drive, cut into
// which runs, and which of their bytes name a unit or its owner.
package gather

import (
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Area is a part of a drive that belongs into a kit.
type Area struct {
	disk.Span
	from layout.Anchor
	what string
	far  bool // beyond what is kept of one area: only its blank runs are named
}

// Ends are how many sectors of each area count as boot area.
type Ends struct{ Head, Tail disk.Sector }

// layoutKnown tells whether a table or a volume says what the drive is for.
func layoutKnown(s *layout.Map) bool {
	return len(s.Volumes) > 0 || len(s.Entries) > 0
}

// areas lists what lies outside the volumes of a drive, and the sectors of
// FAT volumes before their allocation tables, which hold no file. On a drive that
// nobody knows it is the head and the tail.
func areas(s *layout.Map, ends Ends) []Area {
	a := &areaList{s: s, ends: ends}
	if !layoutKnown(s) {
		head := disk.Span{Count: min(ends.Head, s.Sectors)}
		a.add(head, layout.FromStart, "head")
		a.add(disk.Between(s.Sectors-min(ends.Tail, s.Sectors), s.Sectors), layout.FromEnd, "tail")
		return a.list
	}
	for _, t := range s.Tables {
		if t.State == layout.InForce || t.State == layout.Disputed {
			for _, own := range t.Own {
				a.add(own, a.anchorOf(own), t.Kind+" table")
			}
		}
	}
	for _, v := range s.Volumes {
		a.volume(v)
	}
	for _, e := range s.Entries {
		if s.Volume(e.Index) == nil && holdsProgram(e) {
			a.long(e.Span, layout.FromStart, fmt.Sprintf("program in entry %d", e.Index))
		}
	}
	for _, r := range s.Regions {
		switch r.Role {
		case layout.RoleVolume:
		case layout.RoleDisputed:
			for _, t := range s.Tables {
				for _, own := range t.Own.Within(r.Span) {
					a.add(own, r.Anchor, fmt.Sprintf("%s %s table", t.State, t.Kind))
				}
			}
		default:
			a.long(r.Span, r.Anchor, r.Name)
		}
	}
	return a.list
}

// holdsProgram tells whether an entry is there for a program that starts the
// machine and not for files: drivers of an Apple partition map (Inside Macintosh:
// Devices, chapter 3), the BIOS boot partition of a GUID partition table, and PReP.
func holdsProgram(e layout.Entry) bool {
	return strings.HasPrefix(e.Type, "Apple_Driver") ||
		strings.EqualFold(e.Type, "21686148-6449-6E6F-744E-656564454649") || e.Type == "41"
}

// areaList gathers areas, none of which overlaps an earlier one.
type areaList struct {
	s     *layout.Map
	ends  Ends
	list  []Area
	taken disk.Spans
}

func (a *areaList) add(span disk.Span, from layout.Anchor, what string) {
	a.put(Area{Span: span, from: from, what: what})
}

func (a *areaList) put(area Area) {
	if area.from == layout.Movable {
		area.from = layout.FromStart
	}
	for _, s := range a.taken.Outside(area.Common(disk.Span{Count: a.s.Sectors})) {
		part := area
		part.Span = s
		a.list = append(a.list, part)
		a.taken = a.taken.Union(disk.Spans{s})
	}
}

// long adds an area that may have any length: as much of it as counts as head,
// and whatever lies in the tail of the disk.
func (a *areaList) long(span disk.Span, from layout.Anchor, what string) {
	near := disk.Span{Start: span.Start, Count: min(span.Count, a.ends.Head)}
	end := span.Common(disk.Between(max(0, a.s.Sectors-a.ends.Tail), a.s.Sectors))
	a.add(near, from, what)
	a.add(end, from, what)
	a.put(Area{Span: span, from: from, what: what, far: true})
}

// anchorOf returns from where the sectors of a table are counted.
func (a *areaList) anchorOf(own disk.Span) layout.Anchor {
	for _, r := range a.s.Regions {
		if r.Holds(own.Start) {
			return r.Anchor
		}
	}
	return layout.FromStart
}

// volume adds what a volume keeps before its allocation tables, and what lies
// behind it in its own entry.
func (a *areaList) volume(v layout.Volume) {
	entry := v.Span
	if e := a.s.Entry(v.Index); e != nil {
		entry = e.Span
	}
	for _, r := range v.PartsOf(layout.PartBoot) {
		a.add(r.Common(entry), layout.InsideVolume, fmt.Sprintf("boot sectors of the %s volume in %s", v.Kind,
			entryWords(v.Index)))
	}
	if v.Index > 0 && v.Sized && v.End() < entry.End() {
		a.long(disk.Between(v.End(), entry.End()), layout.FromStart, fmt.Sprintf("behind the volume of entry %d", v.Index))
	}
}

func entryWords(index int) string {
	if index == 0 {
		return "the disk without a table"
	}
	return fmt.Sprintf("entry %d", index)
}
