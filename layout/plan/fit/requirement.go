package fit

import (
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
)

// requirement is what a card has to have room for: the tail, what is in use of each
// entry, and all that counts from the start. A backup table comes behind these.
type requirement struct {
	*course
	tail  tail
	ends  map[int]disk.Sector // the first sector behind what is in use of an entry, by its index
	front disk.Sector         // the first sector behind all that counts from the start
}

// require finds out what the card needs.
func (p *course) require() (*requirement, said, error) {
	found, out, err := p.findTail()
	if err != nil {
		return nil, out, err
	}
	ends, err := p.entryEnds()
	if err != nil {
		return nil, out, err
	}
	r := &requirement{course: p, tail: found, ends: ends, front: p.frontOf(found, ends, volumes{})}
	copied, more, err := r.tailCopies()
	if err != nil {
		return nil, out, err
	}
	out.also(more)
	return &requirement{course: p, tail: copied, ends: ends, front: p.frontOf(copied, ends, volumes{})}, out, nil
}

// room returns where the part of the card that is counted from its start ends.
func (p *requirement) room() disk.Sector {
	room := p.w.Target.Sectors - p.backup()
	if p.tail.choice != TailDrop && p.tail.choice != TailSamePlace {
		room -= p.tail.Count
	}
	return max(room, 0)
}

// frontOf returns the first sector behind what is in use and counts from the start,
// with volumes at their new sizes.
func (p *given) frontOf(t tail, ends map[int]disk.Sector, v volumes) disk.Sector {
	if !t.kept.Empty() {
		return t.kept.Start
	}
	front := v.least
	if p.gptInForce() {
		front = max(front, disk.Sector(p.open.gpt.InForce.Header.FirstUsable())+1) // no smaller table can be written
	}
	for _, r := range p.s.Regions {
		front = max(front, p.regionEnd(r, t, v))
	}
	for _, end := range ends {
		front = max(front, end)
	}
	if t.why != tailSurveyed {
		front = min(front, t.Start)
	}
	return front
}

// regionEnd returns the end of what is in use in a region that is counted from
// the start and that no entry speaks for, or 0.
func (p *given) regionEnd(r layout.Region, t tail, v volumes) disk.Sector {
	switch {
	case t.Holds(r.Start), p.isBackup(r), p.staleCut(r):
		return 0
	case r.Role == layout.RoleVolume:
		switch sized := v.sized[0]; {
		case len(p.s.Entries) > 0:
			return 0
		case sized != nil && r.Start == 0:
			return sized.Sectors
		case v.least > 0 && r.Start == 0:
			return 0
		}
		return r.End()
	}
	if p.accepts(disk.NotKnownCut) && hasUnknown(r) {
		return p.knownEndOf(r.Span)
	}
	return contentEnd(r.Span, r.Content, r.Role == layout.RoleTable || r.Role == layout.RoleDisputed)
}

// knownEndOf returns the end of what is known to be in use in a run, or 0. What
// cannot be read counts as used.
func (p *given) knownEndOf(span disk.Span) disk.Sector {
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

// roomAfter returns how far a volume may reach on the card: up to the next
// thing that stays in its place.
func (p *requirement) roomAfter(span disk.Span) disk.Sector {
	end := p.room()
	block := func(start, stop disk.Sector) {
		if start > span.Start && stop > span.End() || start >= span.End() {
			end = min(end, max(start, span.End()))
		}
	}
	for _, e := range p.s.Entries {
		if e.HoldsVolume() && e.Start > span.Start {
			block(e.Start, e.End())
		}
	}
	if p.tail.choice == TailSamePlace && !p.tail.Empty() { // elsewhere it is at the new end, too or alone
		block(p.tail.Start, p.tail.End())
	}
	for _, r := range p.s.Regions {
		switch {
		case p.tail.Holds(r.Start), p.isBackup(r), r.Role == layout.RoleVolume, r.Start < span.End():
		case r.Role == layout.RoleTable, r.Role == layout.RoleDisputed && !p.staleCut(r):
			block(r.Start, r.End())
		case r.Content.Unread > 0, !r.Content.Looked:
			block(r.Start, r.End())
		case r.Content.NonBlank > 0:
			block(r.Content.First, r.End())
		}
	}
	return end
}
