package fit

import (
	"bytes"
	"errors"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
)

// tailCopies looks for a tail that lies on the source twice, with blank sectors
// between: at its old address and at the end, as TailBoth lays it down. Where
// all of it does not fit in one block, or the new end is where the first copy
// has its own, the copy at the end goes to the new end, and the other one stays
// as far as that leaves room: so a card goes back to the size of its original.
func (p *requirement) tailCopies() (t tail, out said, err error) {
	t = p.tail
	if t.Empty() || t.choice != TailEnd && t.choice != TailBoth || p.w.Target.Sectors >= p.s.Sectors {
		return t, out, nil
	}
	fits := p.w.Target.Sectors >= t.least(p.front, p.backup())
	kept, moved, err := p.copyTouching()
	if err == nil && kept.Empty() {
		kept, moved, err = p.copyBefore()
	}
	if err == nil && kept.Empty() {
		kept, moved, err = p.copyInside()
	}
	if err != nil || kept.Empty() || fits && kept.Start+moved.Count+p.backup() != p.w.Target.Sectors {
		return t, out, err
	}
	t.kept, t.Span = kept, moved
	if p.w.Target.Sectors >= t.least(kept.Start, p.backup()) {
		out.note(disk.Warningf(disk.TailTwice, kept.Start,
			"the %s from sector %s on lie at the end of the disk too, from sector %s on: these go to the new end, and the "+
				"others stay as far as there is room before them. If firmware counts both from the end, it does not find the "+
				"first ones",
			sectors(kept.Count), grouped(int64(kept.Start)), grouped(int64(moved.Start))))
	}
	return t, out, nil
}

// copyTouching looks for two copies of one tail that touch or overlap, as they
// lie on a card that is larger by no more than the tail. Only the way back to
// the size of the original is taken: where the card is larger by some sectors,
// these many of the tail lie before it.
func (p *requirement) copyTouching() (kept, tail disk.Span, err error) {
	whole := p.tail.Span
	more := p.s.Sectors - p.w.Target.Sectors
	if whole.Count < 2*more || whole.Start < p.afterEntries() {
		return kept, whole, nil
	}
	same, err := p.same(whole.Start, whole.Start+more, more)
	if !same {
		return kept, whole, err
	}
	return disk.Span{Start: whole.Start, Count: more}, disk.Between(whole.Start+more, whole.End()), err
}

// copyBefore looks for a copy of the tail among what is counted from the
// start: the last that is in use there, after every entry.
func (p *requirement) copyBefore() (kept, tail disk.Span, err error) {
	tail = p.tail.Span
	c, err := scan.Look(p.ctx, p.src, tail)
	if err != nil || c.NonBlank == 0 || c.Unread > 0 {
		return kept, tail, err
	}
	used := c.Last + 1 - tail.Start
	kept = disk.Span{Start: p.front - used, Count: used}
	if kept.Start < p.afterEntries() {
		return disk.Span{}, tail, nil
	}
	same, err := p.same(kept.Start, tail.Start, used)
	if !same {
		kept = disk.Span{}
	}
	return kept, tail, err
}

// afterEntries returns the first sector that neither an entry, a bare volume,
// a table in force nor the first run of a disk without a table needs.
func (p *requirement) afterEntries() disk.Sector {
	var last disk.Sector
	for _, end := range p.ends {
		last = max(last, end)
	}
	for i, r := range p.s.Regions {
		if i == 0 || r.Role == layout.RoleVolume || r.Role == layout.RoleTable && !p.isBackup(r) {
			last = max(last, r.End())
		}
	}
	return last
}

// copyInside looks for a copy of the end of the tail at the start of the tail.
func (p *requirement) copyInside() (kept, tail disk.Span, err error) {
	whole := p.tail.Span
	first, err := image.ReadSector(p.src, whole.Start)
	var unknown *image.UnknownError
	if errors.As(err, &unknown) {
		return kept, whole, nil
	}
	if err != nil {
		return kept, whole, err
	}
	places, err := scan.FindSector(p.ctx, p.src, whole, first)
	if err != nil {
		return kept, whole, err
	}
	for _, at := range places {
		tail = disk.Between(at, whole.End())
		between := disk.Between(whole.Start+tail.Count, at)
		if between.Empty() {
			continue
		}
		c, err := scan.Look(p.ctx, p.src, between)
		if err != nil {
			return kept, tail, err
		}
		if c.NonBlank > 0 || c.Unread > 0 {
			continue
		}
		if same, err := p.same(whole.Start, at, tail.Count); err != nil || same {
			return disk.Span{Start: whole.Start, Count: tail.Count}, tail, err
		}
	}
	return disk.Span{}, whole, nil
}

// same tells whether two runs of sectors are known and equal.
func (p *given) same(a, b, count disk.Sector) (bool, error) {
	step := disk.Sector(1 << 20 / p.s.SectorSize) // 1 MiB of each in memory: by hand, no source
	for at := disk.Sector(0); at < count; at += step {
		n := min(step, count-at)
		x, err := image.ReadSectors(p.src, disk.Span{Start: a + at, Count: n})
		var y []byte
		if err == nil {
			y, err = image.ReadSectors(p.src, disk.Span{Start: b + at, Count: n})
		}
		var unknown *image.UnknownError
		switch {
		case errors.As(err, &unknown):
			return false, nil
		case err != nil:
			return false, err
		case !bytes.Equal(x, y):
			return false, nil
		}
	}
	return true, nil
}
