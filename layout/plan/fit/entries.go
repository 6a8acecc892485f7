package fit

import (
	"maps"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
)

// knownEnd tells whether a volume says where what is used of its entry ends.
func (p *given) knownEnd(e layout.Entry) bool {
	v := p.s.Volume(e.Index)
	return v != nil && v.Sized
}

// entryEnds returns the first sector behind what is in use of each entry.
func (p *given) entryEnds() (map[int]disk.Sector, error) {
	ends := map[int]disk.Sector{}
	for _, e := range p.s.Entries {
		if !e.HoldsVolume() {
			continue
		}
		end, err := p.entryEnd(e)
		if err != nil {
			return nil, err
		}
		ends[e.Index] = end
	}
	return p.withContainers(ends), nil
}

// withContainers returns the ends of entries with those of the containers of them.
func (p *given) withContainers(ends map[int]disk.Sector) map[int]disk.Sector {
	out := maps.Clone(ends)
	for _, e := range p.s.Entries {
		if e.Extended {
			out[e.Index] = p.containerEnd(e, func(l layout.Entry) disk.Sector { return ends[l.Index] })
		}
	}
	return out
}

// entryEnd returns the first sector after what is used of an entry.
func (p *given) entryEnd(e layout.Entry) (disk.Sector, error) {
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
		if p.accepts(disk.NotKnownCut) {
			slack.Unread = 0
		}
		if p.accepts(disk.SlackInUse) {
			slack.NonBlank = 0
		}
		end = max(end, contentEnd(disk.Between(v.End(), limit), slack, false))
	}
	return end, nil
}

// pinned tells whether an entry of a GUID partition table cannot become
// shorter or longer: it runs past the disk, lies outside the usable sectors or over
// another one, or an MBR beside the table names other sectors of it.
func (p *given) pinned(e layout.Entry) bool {
	h := p.open.gpt.InForce.Header
	return e.End() > p.s.Sectors || uint64(e.Start) < h.FirstUsable() || p.open.gpt.Tied(e.Span) ||
		slices.ContainsFunc(p.s.Entries, func(o layout.Entry) bool { return o.Index != e.Index && o.Overlaps(e.Span) })
}

// containerEnd returns the end of the last thing inside an extended entry:
// logical volumes, each with the end that is given, and their boot records.
func (p *given) containerEnd(e layout.Entry, endOf func(layout.Entry) disk.Sector) disk.Sector {
	end := e.Start + 1
	for _, l := range p.s.Entries {
		if l.HoldsVolume() && l.Index >= 5 && e.Holds(l.Start) {
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
func (p *given) unknownVolumeEnd(e layout.Entry, limit disk.Sector) (disk.Sector, error) {
	if p.w.Target.Sectors >= p.s.Sectors || !p.accepts(disk.UnknownVolumeCut) {
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
