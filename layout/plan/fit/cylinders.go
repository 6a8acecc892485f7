package fit

import (
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume"
)

// cylinder returns how many sectors a cylinder has in the geometry in which an MBR
// counts, before and on the card, or 0 if there is none.
func (p *given) cylinder() (before, now disk.Sector) {
	if p.s.Table != "mbr" || p.open.mbr == nil {
		return 0, 0
	}
	g, known := p.open.mbr.Geometry()
	if !known {
		return 0, 0
	}
	per := func(g mbr.Geometry) disk.Sector { return disk.Sector(g.Heads) * disk.Sector(g.SectorsPerTrack) }
	if h := p.w.Volumes.Heads; h != nil {
		return per(g), per(*h)
	}
	return per(g), per(g)
}

// toCylinder lets a volume end on a cylinder where its entry ended on one: a BIOS takes
// heads and sectors from the end of an entry (common practice, no source), and a loader
// that counts in cylinders then reads from other places than it was written for. A size
// that was asked for in sectors stays as it is.
func (p *requirement) toCylinder(span disk.Span, w volume.Wishes) volume.Wishes {
	before, now := p.cylinder()
	if before == 0 || w.Sectors != 0 || span.End()%before != 0 {
		return w
	}
	end := span.Start + w.Room - w.Reserve
	if even := end - end%now; even > span.Start {
		w.Room = even - span.Start + w.Reserve
	}
	return w
}

// offCylinder tells whether an entry that ended on a cylinder no longer does.
func (p *given) offCylinder(e layout.Entry, count disk.Sector) bool {
	before, now := p.cylinder()
	return before > 0 && !e.Extended && e.End()%before == 0 && (e.Start+count)%now != 0
}
