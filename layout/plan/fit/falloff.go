package fit

import (
	"cmp"
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// askAboutFallingOff asks about what was accepted to fall off, where it does.
func (p *placement) askAboutFallingOff() (out said) {
	for _, r := range p.s.Regions {
		if p.staleCut(r) && !p.tail.Holds(r.Start) && r.End() > p.room() {
			out.ask(disk.Refusalf(disk.StaleTableCut, r.Start, "sectors %s, %s, fall off in whole or in part", r.Span, r.Name))
		}
		if p.accepts(disk.NotKnownCut) && hasUnknown(r) && !p.tail.Holds(r.Start) && r.End() > p.room() {
			out.ask(disk.Refusalf(disk.NotKnownCut, p.room(),
				"%s of %s (%s) %s not known, and what lies from sector %s on falls off",
				sectors(r.Content.Unread), whole(r), r.Span.Text(), disk.IsAre(r.Content.Unread), grouped(int64(p.room()))))
		}
	}
	return out
}

// whole names a region of which something is a part: "after the last entry" alone is a place.
func whole(r layout.Region) string {
	if strings.HasPrefix(r.Name, "after ") {
		return "what lies " + r.Name
	}
	return r.Name
}

// hints names the ways out that need an acceptance.
func (p *placement) hints() (out said) {
	if p.tableIsRendered() && !p.accepts(disk.UnknownVolumeCut) && p.w.Target.Sectors < p.s.Sectors {
		for _, e := range p.s.Entries {
			if e.HoldsVolume() && !p.knownEnd(e) {
				out.refuse(disk.Notef(disk.UnknownVolume, e.Start,
					"entry %d (type %s) holds no volume whose size is known here, so all of it counts as used, blank or not. If its "+
						"end is blank, --accept %s lets that fall off", e.Index, e.Type, disk.UnknownVolumeCut))
			}
		}
	}
	for _, r := range p.s.Regions {
		if !p.accepts(disk.StaleTableCut) && !p.tail.Holds(r.Start) && r.End() > p.room() && p.isStale(r) {
			out.refuse(disk.Notef(disk.StaleTable, r.Start,
				"sectors %s, %s, are not in force and count as used all the same. --accept %s lets them fall off",
				r.Span, r.Name, disk.StaleTableCut))
		}
		if !p.accepts(disk.NotKnownCut) && hasUnknown(r) && !p.tail.Holds(r.Start) && r.End() > p.room() {
			out.refuse(disk.Notef(disk.SectorsNotKnown, r.Start,
				"%s of %s (sectors %s) are not known and count as used. --accept %s lets those that have no room fall off",
				sectors(r.Content.Unread), whole(r), r.Span, disk.NotKnownCut))
		}
	}
	return out
}

// fallsOff says what of the source would have no place on the card.
func (p *placement) fallsOff() string {
	room := p.room()
	var parts []string
	lost := func(start, end disk.Sector, name string) {
		if s := disk.Between(max(start, room), end); !s.Empty() && len(parts) < maxListed {
			parts = append(parts, fmt.Sprintf("%s of %s", sectors(s.Count), name))
		}
	}
	names := map[disk.Sector]string{}

	for _, r := range p.s.Regions {
		names[r.Start] = r.Name
		lost(r.Start, p.regionEnd(r, p.tail, p.volumes), whole(r))
	}
	for _, e := range p.s.Entries {
		if e.HoldsVolume() {
			lost(e.Start, p.used[e.Index], cmp.Or(names[e.Start], fmt.Sprintf("entry %d", e.Index)))
		}
	}
	if p.tail.choice == TailSamePlace {
		lost(p.tail.Start, p.tail.used, "the tail")
	}
	if len(parts) == 0 {
		return "the end of what is counted from the end of the disk"
	}
	return strings.Join(parts, ", ")
}

// maxListed bounds what one sentence names: by hand, no source.
const maxListed = 12
