package fit

import (
	"maps"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// placement says how long everything is on the card. No later stage changes it.
type placement struct {
	*requirement
	volumes
	reach   disk.Sector         // the front, with volumes at their new sizes
	used    map[int]disk.Sector // the ends of entries, with volumes at their new sizes
	lengths map[int]length      // of entries that become shorter or longer, by index
}

// length is a new length of an entry, and why it gets it.
type length struct {
	disk.Sector
	cut bool // blank sectors fall off that its volume does not use; else it is as long as what is in it
}

// place decides the sizes of volumes and the lengths of entries.
func (p *requirement) place() (*placement, said, error) {
	v, out, err := p.sizeVolumes()
	if err != nil {
		return nil, out, err
	}
	used := maps.Clone(p.ends)
	maps.Copy(used, v.ends)
	used = p.withContainers(used)
	at := &placement{requirement: p, volumes: v, used: used, reach: p.frontOf(p.tail, used, v)}
	lengths, more := at.newLengths()
	out.also(more)
	at.lengths = lengths
	return at, out, nil
}

// newLengths gives entries that reach beyond the room on a smaller card the
// length that is used of them, and containers that of their entries.
func (p *placement) newLengths() (lengths map[int]length, out said) {
	lengths = map[int]length{}
	for index, r := range p.sized {
		if index > 0 && r.Sectors != p.open.resizable[index].Size() && !p.entryFixed(index) {
			lengths[index] = length{Sector: r.Sectors}
		}
	}
	room := p.room()
	if !p.tableIsRendered() || p.reach > room {
		return lengths, out
	}
	smaller := p.w.Target.Sectors < p.s.Sectors
	for _, e := range p.s.Entries {
		_, sized := lengths[e.Index]
		if end := p.used[e.Index]; smaller && e.HoldsVolume() && !sized && e.End() > room && end < e.End() {
			lengths[e.Index] = length{end - e.Start, p.sized[e.Index] == nil}
			out.also(p.askAboutCut(e, end))
		}
	}
	for _, e := range p.s.Entries {
		if !e.Extended {
			continue
		}
		end := p.containerEnd(e, func(l layout.Entry) disk.Sector { return endOf(l, lengths) })
		switch grown := p.grownIn(e, lengths); {
		case grown > e.End():
			lengths[e.Index] = length{Sector: grown - e.Start}
		case smaller && e.End() > room && end < e.End():
			lengths[e.Index] = length{end - e.Start, true}
		}
	}
	return lengths, out
}

// askAboutCut asks about what falls off with the end of an entry.
func (p *placement) askAboutCut(e layout.Entry, end disk.Sector) (out said) {
	used, unread := p.slack(e.Index)
	if used > 0 && end <= p.s.Volume(e.Index).Slack.Last {
		out.ask(p.slackInUse(e.Index))
	}
	if unread > 0 {
		out.ask(p.slackNotKnown(e.Index))
	}
	if !p.knownEnd(e) {
		out.ask(disk.Refusalf(disk.UnknownVolumeCut, end,
			"entry %d holds no volume that is known here; its last %s are blank and fall off",
			e.Index, sectors(min(e.End(), p.s.Sectors)-end)))
	}
	return out
}

// newEnd returns where an entry ends on the card.
func (p *placement) newEnd(e layout.Entry) disk.Sector { return endOf(e, p.lengths) }

func endOf(e layout.Entry, lengths map[int]length) disk.Sector {
	if n, ok := lengths[e.Index]; ok {
		return e.Start + n.Sector
	}
	return e.End()
}

// grownIn returns the end of the last logical volume in a container that
// becomes longer, or 0. One that runs past its container as it is needs no
// other container: what was wrong with the original is copied.
func (p *given) grownIn(box layout.Entry, lengths map[int]length) (end disk.Sector) {
	for _, l := range p.s.Entries {
		if l.HoldsVolume() && l.Index >= 5 && box.Holds(l.Start) && endOf(l, lengths) > l.End() {
			end = max(end, endOf(l, lengths))
		}
	}
	return end
}

// noteKeptNumbers tells of numbers that are carried as they are and may no longer be
// right: outside the volumes the length of an entry, or where it ends, where the entry
// gets another length; inside partitions the size of the disk, where no rule and no try
// changes anything.
func (p *placement) noteKeptNumbers() (out said) {
	for _, f := range p.w.Fields {
		code, n, inside := disk.InsideNumberKept, p.w.Target.Sectors, ", inside a partition"
		help := "take a card of the size of the original, or let the device format one"
		if f.Entry != 0 {
			code, n, inside = disk.EntryNumberKept, p.lengths[f.Entry].Sector, ""
			help = "take a card on which the entry keeps its length"
		}
		if n == 0 || f.Entry == 0 && !f.Inside || f.Law == nil || f.ByChance > weakChance {
			continue
		}
		v, _, ok := formula(f.Law).At(n)
		if !ok || v == f.Value {
			continue
		}
		out.note(disk.Warningf(code, f.Sector,
			"byte %d, %s = %d%s, may be the %s (%.2g such numbers are expected by chance); on the card that is %d, and the "+
				"number is carried as it is; if the device does not start, %s",
			f.Offset, f.Encoding, f.Value, inside, f.Meaning, f.ByChance, v, help))
	}
	return out
}

// leastCard returns the smallest card that holds all of it.
func (p *placement) leastCard() disk.Sector { return p.tail.least(p.reach, p.backup()) }
