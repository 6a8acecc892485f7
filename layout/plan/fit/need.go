package fit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
)

// need is the room that a source takes on a card.
type need struct {
	front  disk.Sector // everything counted from the start, up to the last sector in use
	tail   disk.Span   // source sectors counted from the end; empty if there are none
	kept   disk.Span   // the same sectors as in the tail, at their old address; mostly empty
	second disk.Sector // second copy of a GUID partition table

	tailUsed disk.Sector // end of what is in use in the tail
}

// smallest returns the smallest card that holds it all, for a choice of tail.
func (n need) smallest(t Tail) disk.Sector {
	switch {
	case n.tail.Empty() || t == TailDrop:
		return n.front + n.second
	case t == TailSamePlace:
		return max(n.front, n.tailUsed) + n.second
	}
	return n.front + n.tail.Count + n.second
}

// measure finds out how much room the source needs, and which entries become
// shorter if the card is too small for their whole length.
func (p *planner) measure() error {
	if p.gptInForce() {
		p.need.second = p.open.gpt.SecondSectors()
	}
	p.need.tail = p.tailSpan()
	for _, r := range p.s.Regions {
		if p.need.tail.Holds(r.Start) {
			p.need.tailUsed = max(p.need.tailUsed, contentEnd(r.Span, r.Content, r.Role == layout.RoleDisputed))
		}
	}
	p.undecidedTail()
	if err := p.tailByRules(); err != nil {
		return err
	}
	p.tailByCopies()
	if p.resizing() && p.gptInForce() && !p.need.tail.Empty() && p.need.tail.End() == p.s.Sectors {
		p.note(disk.Warningf(disk.TailBeforeTable, p.need.tail.Start, "the tail reaches the last sector, where the second copy of the GUID partition table belongs: at the new end it lies %s further from the end, before that copy", sectors(p.need.second)))
	}
	if p.w.Tail == "" && p.resizing() {
		p.w.Tail = TailBoth
		if p.w.Target.Sectors < p.s.Sectors || p.countedFromEnd() {
			p.w.Tail = TailEnd
		}
	}
	if err := p.measureEntries(); err != nil {
		return err
	}
	p.measureFront()
	if err := p.tailTwice(); err != nil {
		return err
	}
	if err := p.planVolumes(); err != nil {
		return err
	}
	p.measureContainers()
	p.measureFront()
	p.shorten()
	return nil
}

// measureFront finds the end of what is in use and counted from the start.
func (p *planner) measureFront() {
	if !p.need.kept.Empty() {
		return // tailTwice has found it
	}
	front := p.smallest
	if p.gptInForce() {
		front = max(front, disk.Sector(p.open.gpt.InForce.Header.FirstUsable())+1) // no smaller table can be written
	}
	for _, r := range p.s.Regions {
		front = max(front, p.regionEnd(r))
	}
	for _, end := range p.ends {
		front = max(front, end)
	}
	if p.assumed {
		front = min(front, p.need.tail.Start)
	}
	p.need.front = front
}

// tailSpan returns the tail: from the region that the survey found to be its
// beginning to the end of the disk, without the second copy of a GUID
// partition table there. Whatever else lies in it moves with it.
func (p *planner) tailSpan() disk.Span {
	end := p.s.Sectors
	for _, second := range slices.Backward(p.secondPlace()) {
		if second.End() == end {
			end = second.Start
		}
	}
	for _, r := range p.s.Regions {
		if r.Role == layout.RoleTail {
			return disk.Between(r.Start, end)
		}
	}
	return disk.Span{}
}

// secondPlace returns the sectors of a second copy that is made new on a card
// of another size.
func (p *planner) secondPlace() disk.Spans {
	if !p.gptInForce() {
		return nil
	}
	return p.open.gpt.ShownSecond()
}

// regionEnd returns the end of what is in use in a region that is counted from
// the start and that no entry speaks for, or 0.
func (p *planner) regionEnd(r layout.Region) disk.Sector {
	switch {
	case p.need.tail.Holds(r.Start), p.isSecond(r), p.staleCut(r):
		return 0
	case r.Role == layout.RoleVolume:
		switch sized := p.sized[0]; {
		case len(p.s.Entries) > 0:
			return 0
		case sized != nil && r.Start == 0:
			return sized.Sectors
		case p.smallest > 0 && r.Start == 0:
			return 0
		}
		return r.End()
	}
	if p.accepted[disk.NotKnownCut] && hasUnknown(r) {
		return p.knownEndOf(r.Span)
	}
	return contentEnd(r.Span, r.Content, r.Role == layout.RoleTable || r.Role == layout.RoleDisputed)
}

// hasUnknown tells whether a region that nobody owns has sectors that the source
// does not know.
func hasUnknown(r layout.Region) bool {
	owned := r.Role == layout.RoleVolume || r.Role == layout.RoleTable || r.Role == layout.RoleDisputed
	return !owned && r.Content.Unread > 0
}

// knownEndOf returns the end of what is known to be in use in a run, or 0. What
// cannot be read counts as used.
func (p *planner) knownEndOf(span disk.Span) disk.Sector {
	for _, known := range slices.Backward(image.Unknown(p.src, span).Outside(span)) {
		c, err := scan.Look(p.ctx, p.src, known)
		if err != nil {
			return span.End()
		}
		if c.NonBlank > 0 {
			return c.Last + 1
		}
	}
	return 0
}

func (p *planner) isSecond(r layout.Region) bool {
	return r.Role == layout.RoleTable && len(p.secondPlace().Within(r.Span)) > 0
}

// staleCut tells whether the owner lets go of a stale table after the entries.
func (p *planner) staleCut(r layout.Region) bool {
	return p.accepted[disk.StaleTableCut] && p.isStale(r)
}

// isStale tells whether a region holds nothing but a stale table.
func (p *planner) isStale(r layout.Region) bool {
	if r.Role != layout.RoleDisputed || slices.ContainsFunc(p.s.Entries, func(e layout.Entry) bool { return e.Overlaps(r.Span) }) {
		return false
	}
	return slices.ContainsFunc(p.s.Tables, func(t layout.Table) bool {
		return t.State == layout.Stale && len(t.Own.Outside(r.Span)) == 0
	})
}

// contentEnd returns the end of what is in use in a run: whole runs count to
// their end, others to their last sector that is not blank. What was not read
// may hold anything.
func contentEnd(span disk.Span, c layout.Content, whole bool) disk.Sector {
	switch {
	case whole || !c.Looked || c.Unread > 0:
		return span.End()
	case c.NonBlank > 0:
		return c.Last + 1
	}
	return 0
}

// room returns where the part of the card that is counted from its start ends.
func (p *planner) room() disk.Sector {
	room := p.w.Target.Sectors - p.need.second
	if !p.need.tail.Empty() && p.w.Tail != TailDrop && p.w.Tail != TailSamePlace {
		room -= p.need.tail.Count
	}
	return max(room, 0)
}

// checkFits refuses a card that is too small, with exact numbers.
func (p *planner) checkFits() {
	smallest := p.need.smallest(p.w.Tail)
	target := p.w.Target.Sectors
	if target >= smallest {
		p.askAboutFallingOff()
		return
	}
	p.tooSmall = smallest
}

func (p *planner) askAboutFallingOff() {
	for _, r := range p.s.Regions {
		if p.staleCut(r) && !p.need.tail.Holds(r.Start) && r.End() > p.room() {
			p.ask(disk.Refusalf(disk.StaleTableCut, r.Start, "sectors %s, %s, fall off in whole or in part", r.Span, r.Name))
		}
		if p.accepted[disk.NotKnownCut] && hasUnknown(r) && !p.need.tail.Holds(r.Start) && r.End() > p.room() {
			p.ask(disk.Refusalf(disk.NotKnownCut, p.room(), "%s of %s (%s) %s not known, and what lies from sector %s on falls off", sectors(r.Content.Unread), r.Name, r.Span.Text(), isAre(r.Content.Unread), grouped(int64(p.room()))))
		}
	}
}

// hints names the ways out that need an acceptance.
func (p *planner) hints() {
	if p.tableIsRendered() && !p.accepted[disk.UnknownVolumeCut] && p.w.Target.Sectors < p.s.Sectors {
		for _, e := range p.s.Entries {
			if isVolume(e) && !p.knownEnd(e) {
				p.refuse(disk.Notef(disk.UnknownVolume, e.Start, "entry %d (type %s) holds no volume whose size is known here, so all of it counts as used, blank or not. If its end is blank, --accept %s lets that fall off", e.Index, e.Type, disk.UnknownVolumeCut))
			}
		}
	}
	for _, r := range p.s.Regions {
		if !p.accepted[disk.StaleTableCut] && !p.need.tail.Holds(r.Start) && r.End() > p.room() && p.isStale(r) {
			p.refuse(disk.Notef(disk.StaleTable, r.Start, "sectors %s, %s, are not in force and count as used all the same. --accept %s lets them fall off", r.Span, r.Name, disk.StaleTableCut))
		}
		if !p.accepted[disk.NotKnownCut] && hasUnknown(r) && !p.need.tail.Holds(r.Start) && r.End() > p.room() {
			p.refuse(disk.Notef(disk.SectorsNotKnown, r.Start, "%s of %s (sectors %s) are not known and count as used. --accept %s lets those that have no room fall off", sectors(r.Content.Unread), r.Name, r.Span, disk.NotKnownCut))
		}
	}
}

// fallsOff says what of the source would have no place on the card.
func (p *planner) fallsOff() string {
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
		lost(r.Start, p.regionEnd(r), r.Name)
	}
	for _, e := range p.s.Entries {
		if isVolume(e) {
			lost(e.Start, p.ends[e.Index], cmp.Or(names[e.Start], fmt.Sprintf("entry %d", e.Index)))
		}
	}
	if p.w.Tail == TailSamePlace {
		lost(p.need.tail.Start, p.need.tailUsed, "the tail")
	}
	if len(parts) == 0 {
		return "the end of what is counted from the end of the disk"
	}
	return strings.Join(parts, ", ")
}

// maxListed bounds what one sentence names.
const maxListed = 12

// undecidedTail takes the last 64 MiB as the tail if the owner says that there
// is one and the survey could not tell.
func (p *planner) undecidedTail() {
	if !p.s.TailUndecided || p.w.Tail != TailBoth && p.w.Tail != TailEnd {
		return
	}
	n := min(disk.Sector(scan.TailLimit/p.s.SectorSize), p.s.Sectors)
	p.need.tail, p.need.tailUsed = disk.Span{Start: p.s.Sectors - n, Count: n}, p.s.Sectors
	p.assumed = true
	p.note(disk.Warningf(disk.TailAssumed, p.need.tail.Start, "where the tail begins is not known; as --tail %s asks for one, the last %s are taken", p.w.Tail, sectors(n)))
}
