package fit

import (
	"fmt"
	"strings"

	"bootgraft/layout"
	"bootgraft/layout/scan"
)

// need is the room that a source takes on a card.
type need struct {
	front  layout.Sector // everything counted from the start, up to the last sector in use
	tail   layout.Span   // source sectors counted from the end; empty if there are none
	second layout.Sector // second copy of a GUID partition table
}

// smallest returns the smallest card that holds it all, for a choice of tail.
func (n need) smallest(t Tail) layout.Sector {
	switch {
	case n.tail.Empty() || t == TailDrop:
		return n.front + n.second
	case t == TailSamePlace:
		return n.tail.End() + n.second
	}
	return n.front + n.tail.Count + n.second
}

// measure finds out how much room the source needs, and which entries become
// shorter if the card is too small for their whole length.
func (p *planner) measure() error {
	if p.gptInForce() {
		p.need.second = p.s.GPT.SecondSectors()
	}
	for _, r := range p.s.Regions {
		switch {
		case r.Role == layout.RoleTail:
			p.need.tail = r.Span
		case r.Role == layout.RoleVolume || r.Anchor == layout.FromEnd:
		default:
			p.need.front = max(p.need.front, contentEnd(r.Span, r.Content, r.Role == layout.RoleTable))
		}
	}
	p.undecidedTail()
	if p.tail() == "" && p.resizing() {
		p.w.Tail = TailBoth
		if p.w.Target.Sectors < p.s.Sectors {
			p.w.Tail = TailEnd
		}
	}
	return p.measureEntries()
}

func (p *planner) tail() Tail { return p.w.Tail }

// undecidedTail takes the last 64 MiB as the tail if the owner says that there
// is one and the survey could not tell.
func (p *planner) undecidedTail() {
	undecided := p.has("tail-undecided")
	if !undecided || p.w.Tail != TailBoth && p.w.Tail != TailEnd {
		return
	}
	n := min(layout.Sector(scan.TailLimit/p.s.SectorSize), p.s.Sectors)
	p.need.tail = layout.Span{Start: p.s.Sectors - n, Count: n}
	p.note(layout.Warningf("tail-assumed", p.need.tail.Start, "where the tail begins is not known; as --tail %s asks for one, the last %s are taken", p.w.Tail, sectors(n)))
}

func (p *planner) has(code string) bool {
	for _, f := range p.findings {
		if f.Code == code {
			return true
		}
	}
	return false
}

// contentEnd returns the end of what is in use in a run: whole runs count to
// their end, others to their last sector that is not blank. What was not read
// may hold anything.
func contentEnd(span layout.Span, c layout.Content, whole bool) layout.Sector {
	switch {
	case whole || !c.Looked || c.Unread > 0:
		return span.End()
	case c.NonBlank > 0:
		return c.Last + 1
	}
	return 0
}

// measureEntries adds what the volumes need. An entry is as long as what is
// used of it; it becomes shorter only where the card is too small for all.
func (p *planner) measureEntries() error {
	if len(p.s.Entries) == 0 || p.s.Table == "conflict" {
		for _, r := range p.s.Regions {
			if r.Role == layout.RoleVolume {
				p.need.front = max(p.need.front, r.End())
			}
		}
		return nil
	}
	ends := map[int]layout.Sector{}
	for _, e := range p.s.Entries {
		end, err := p.entryEnd(e)
		if err != nil {
			return err
		}
		ends[e.Index] = end
		p.need.front = max(p.need.front, end)
	}
	room := p.w.Target.Sectors - p.need.second
	if !p.need.tail.Empty() && p.tail() != TailDrop && p.tail() != TailSamePlace {
		room -= p.need.tail.Count
	}
	if p.w.Target.Sectors >= p.s.Sectors {
		return nil
	}
	for _, e := range p.s.Entries {
		if e.End() > room && ends[e.Index] < e.End() && ends[e.Index] > e.Start && ends[e.Index] <= room {
			p.resized[e.Index] = ends[e.Index] - e.Start
		}
	}
	return nil
}

// entryEnd returns the first sector after what is used of an entry.
func (p *planner) entryEnd(e layout.Entry) (layout.Sector, error) {
	limit := min(e.End(), p.s.Sectors)
	if e.NoVolume || e.Empty() {
		return 0, nil
	}
	if !p.tableIsRendered() {
		return limit, nil
	}
	if e.Extended {
		return p.containerEnd(e)
	}
	v := p.s.Volume(e.Index)
	if v == nil || !v.Sized {
		return p.unknownVolumeEnd(e, limit)
	}
	end := min(max(v.End(), e.Start+1), p.s.Sectors)
	if v.Slack != nil {
		end = max(end, contentEnd(layout.Between(v.End(), limit), *v.Slack, false))
	}
	return end, nil
}

// tableIsRendered tells whether entries can become shorter: only the tables
// that this program renders can be changed.
func (p *planner) tableIsRendered() bool { return p.s.Table == "mbr" || p.gptInForce() }

// containerEnd returns the end of the last thing inside an extended entry.
func (p *planner) containerEnd(e layout.Entry) (layout.Sector, error) {
	end := e.Start + 1
	for _, l := range p.s.Entries {
		if l.Extended || l.Index < 5 || !e.Holds(l.Start) {
			continue
		}
		inner, err := p.entryEnd(l)
		if err != nil {
			return 0, err
		}
		end = max(end, inner, l.Table+1)
	}
	return min(end, p.s.Sectors), nil
}

// unknownVolumeEnd is the end of an entry whose content nobody knows. Even
// blank sectors in it may be somebody's, unless their owner says otherwise.
func (p *planner) unknownVolumeEnd(e layout.Entry, limit layout.Sector) (layout.Sector, error) {
	const code = "unknown-volume-cut"
	if p.w.Target.Sectors >= p.s.Sectors || !p.accepted[code] {
		return limit, nil
	}
	c, err := scan.Look(p.ctx, p.src, layout.Between(e.Start, limit))
	if err != nil {
		return 0, err
	}
	end := max(e.Start+1, contentEnd(layout.Between(e.Start, limit), c, false))
	if end < limit {
		p.ask(layout.Refusalf(code, end, "entry %d holds no volume that is known here; its last %s are blank and may fall off", e.Index, sectors(limit-end)))
	}
	return end, nil
}

// checkFits refuses a card that is too small, with exact numbers.
func (p *planner) checkFits() {
	smallest := p.need.smallest(p.tail())
	target := p.w.Target.Sectors
	if target >= smallest {
		return
	}
	p.refused.Smallest = smallest
	p.refuse(layout.Refusalf("does-not-fit", target,
		"a card of %s is %s too small. What falls off: %s. The smallest card that would do has %s (%s bytes)",
		sectors(target), sectors(smallest-target), p.fallsOff(), sectors(smallest), grouped(int64(smallest)*int64(p.s.SectorSize))))
	if p.w.Target.Sectors < p.s.Sectors && p.tableIsRendered() {
		p.hintUnknownVolumes()
	}
}

// hintUnknownVolumes names the way out where an entry that nobody knows is
// what does not fit.
func (p *planner) hintUnknownVolumes() {
	if p.accepted["unknown-volume-cut"] {
		return
	}
	for _, e := range p.s.Entries {
		if !e.Extended && !e.NoVolume && !e.Empty() && p.s.Volume(e.Index) == nil {
			p.refuse(layout.Notef("unknown-volume", e.Start, "entry %d (type %s) holds no volume that is known here, so all of it counts as used, blank or not. If its end is blank, --accept unknown-volume-cut lets that fall off", e.Index, e.Type))
		}
	}
}

// fallsOff says what of the source would have no place on the card.
func (p *planner) fallsOff() string {
	room := p.w.Target.Sectors - p.need.second
	if !p.need.tail.Empty() && p.tail() != TailDrop && p.tail() != TailSamePlace {
		room -= p.need.tail.Count
	}
	room = max(room, 0)
	var parts []string
	for _, r := range p.s.Regions {
		end := r.End()
		if r.Role == layout.RoleVolume {
			end = min(end, p.need.front)
		} else if r.Role != layout.RoleTable {
			end = contentEnd(r.Span, r.Content, false)
		}
		lost := layout.Between(max(r.Start, room), end)
		if r.Anchor == layout.FromEnd && p.tail() != TailSamePlace || lost.Empty() {
			continue
		}
		parts = append(parts, fmt.Sprintf("%s of %s", sectors(lost.Count), r.Name))
	}
	if len(parts) == 0 {
		return "the end of what is counted from the end of the disk"
	}
	return strings.Join(parts, ", ")
}
