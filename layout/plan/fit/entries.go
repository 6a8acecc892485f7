package fit

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
)

// isVolume tells whether an entry is something that can hold a volume.
func isVolume(e layout.Entry) bool { return !e.Extended && !e.NoVolume && !e.Empty() }

// tableIsRendered tells whether entries can become shorter: only the tables
// that this program renders can be changed.
func (p *planner) tableIsRendered() bool { return p.s.Table == "mbr" || p.gptInForce() }

// knownEnd tells whether a volume says where what is used of its entry ends.
func (p *planner) knownEnd(e layout.Entry) bool {
	v := p.s.Volume(e.Index)
	return v != nil && v.Sized
}

// measureEntries adds what the entries need: what is used of each.
func (p *planner) measureEntries() error {
	for _, e := range p.s.Entries {
		if !isVolume(e) {
			continue
		}
		end, err := p.entryEnd(e)
		if err != nil {
			return err
		}
		p.ends[e.Index] = end
	}
	p.measureContainers()
	return nil
}

// measureContainers adds the containers to what the volumes in them need.
func (p *planner) measureContainers() {
	for _, e := range p.s.Entries {
		if e.Extended {
			p.ends[e.Index] = p.containerEnd(e, func(l layout.Entry) disk.Sector { return p.ends[l.Index] })
		}
	}
}

// entryEnd returns the first sector after what is used of an entry.
func (p *planner) entryEnd(e layout.Entry) (disk.Sector, error) {
	limit := min(e.End(), p.s.Sectors)
	switch {
	case !p.tableIsRendered():
		return limit, nil
	case p.gptInForce() && p.pinned(e):
		return e.End(), nil
	case !p.knownEnd(e):
		return p.unknownVolumeEnd(e, limit)
	}
	v := p.s.Volume(e.Index)
	end := min(max(v.End(), e.Start+1), p.s.Sectors)
	if v.Slack != nil {
		slack := *v.Slack
		if p.accepted[disk.NotKnownCut] {
			slack.Unread = 0
		}
		if p.accepted[disk.SlackInUse] {
			slack.NonBlank = 0
		}
		end = max(end, contentEnd(disk.Between(v.End(), limit), slack, false))
	}
	return end, nil
}

// pinned tells whether an entry of a GUID partition table cannot become
// shorter: it runs past the disk, lies outside the usable sectors or over
// another one, or an MBR beside the table names it too.
func (p *planner) pinned(e layout.Entry) bool {
	h := p.open.gpt.InForce.Header
	return e.End() > p.s.Sectors || uint64(e.Start) < h.FirstUsable() || p.open.mbr != nil && p.open.mbr.Hybrid() ||
		slices.ContainsFunc(p.s.Entries, func(o layout.Entry) bool { return o.Index != e.Index && o.Overlaps(e.Span) })
}

// containerEnd returns the end of the last thing inside an extended entry:
// logical volumes, each with the end that is given, and their boot records.
func (p *planner) containerEnd(e layout.Entry, endOf func(layout.Entry) disk.Sector) disk.Sector {
	end := e.Start + 1
	for _, l := range p.s.Entries {
		if isVolume(l) && l.Index >= 5 && e.Holds(l.Start) {
			end = max(end, endOf(l))
		}
	}
	if own := p.open.mbr.Own().Within(e.Span); len(own) > 0 {
		end = max(end, own[len(own)-1].End())
	}
	return min(end, max(p.s.Sectors, p.w.Target.Sectors))
}

// unknownVolumeEnd is the end of an entry whose content nobody knows. Even
// blank sectors in it may be somebody's, unless their owner says otherwise.
func (p *planner) unknownVolumeEnd(e layout.Entry, limit disk.Sector) (disk.Sector, error) {
	if p.w.Target.Sectors >= p.s.Sectors || !p.accepted[disk.UnknownVolumeCut] {
		return limit, nil
	}
	span := disk.Between(e.Start, limit)
	for _, r := range p.s.Regions {
		if r.Span == span && r.Content.Looked {
			return max(e.Start+1, contentEnd(span, r.Content, false)), nil // the survey has read it
		}
	}
	c, err := scan.Look(p.ctx, p.src, span)
	if err != nil {
		return 0, err
	}
	return max(e.Start+1, contentEnd(span, c, false)), nil
}

// shorten gives entries that reach beyond the room on a smaller card the
// length that is used of them.
func (p *planner) shorten() {
	room := p.room()
	if !p.tableIsRendered() || p.need.front > room {
		return
	}
	smaller := p.w.Target.Sectors < p.s.Sectors
	for _, e := range p.s.Entries {
		_, sized := p.resized[e.Index]
		if end := p.ends[e.Index]; smaller && isVolume(e) && !sized && e.End() > room && end < e.End() {
			p.resized[e.Index] = end - e.Start
			used, unread := p.slack(e.Index)
			if used > 0 && end <= p.s.Volume(e.Index).Slack.Last {
				p.ask(p.slackInUse(e.Index))
			}
			if unread > 0 {
				p.ask(p.slackNotKnown(e.Index))
			}
			if !p.knownEnd(e) {
				p.ask(disk.Refusalf(disk.UnknownVolumeCut, end, "entry %d holds no volume that is known here; its last %s are blank and fall off", e.Index, sectors(min(e.End(), p.s.Sectors)-end)))
			}
		}
	}
	for _, e := range p.s.Entries {
		if !e.Extended {
			continue
		}
		end := p.containerEnd(e, p.newEnd)
		switch grown := p.grownIn(e); {
		case grown > e.End():
			p.resized[e.Index] = grown - e.Start
		case smaller && e.End() > room && end < e.End():
			p.resized[e.Index] = end - e.Start
		}
	}
}

// newEnd returns where an entry ends on the card.
func (p *planner) newEnd(e layout.Entry) disk.Sector {
	if n, ok := p.resized[e.Index]; ok {
		return e.Start + n
	}
	return e.End()
}

// grownIn returns the end of the last logical volume in a container that
// becomes longer, or 0. One that runs past its container as it is needs no
// other container: what was wrong with the original is copied.
func (p *planner) grownIn(box layout.Entry) (end disk.Sector) {
	for _, l := range p.s.Entries {
		if isVolume(l) && l.Index >= 5 && box.Holds(l.Start) && p.newEnd(l) > l.End() {
			end = max(end, p.newEnd(l))
		}
	}
	return end
}
