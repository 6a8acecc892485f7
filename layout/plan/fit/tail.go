package fit

import (
	"cmp"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
)

// tail is what a source has that counts from its end. It is decided once, here:
// where it begins, who says so, and where it goes.
type tail struct {
	disk.Span             // source sectors; empty if there are none
	why       tailReason  // who says where it begins
	choice    Tail        // what becomes of it; empty on a card of the same size
	used      disk.Sector // end of what is in use in it
	kept      disk.Span   // a copy of it on the source, at its old address; mostly empty
}

// tailReason is who says where a tail begins.
type tailReason int

const (
	tailSurveyed tailReason = iota // the survey: a region of the map
	tailAssumed                    // its owner, who asks for one where the survey sees none
	tailRuled                      // rules that count from the end
	tailCopied                     // a copy of the head, counted from the end
)

// from returns the tail as somebody says that it begins.
func (t tail) from(s disk.Span, why tailReason) tail {
	t.Span, t.used, t.why = s, s.End(), why
	return t
}

// atOld tells whether the tail lies at its old address on a card of another size.
func (t *tail) atOld() bool {
	return !t.Empty() && (t.choice == TailBoth || t.choice == TailSamePlace)
}

// atEnd tells whether the tail lies at the new end of a card of another size.
func (t *tail) atEnd() bool { return !t.Empty() && (t.choice == TailBoth || t.choice == TailEnd) }

// least returns the smallest card that has room for the tail behind a front, and
// for a backup table behind both.
func (t *tail) least(front, backup disk.Sector) disk.Sector {
	switch {
	case t.Empty() || t.choice == TailDrop:
		return front + backup
	case t.choice == TailSamePlace:
		return max(front, t.used) + backup
	}
	return front + t.Count + backup
}

// findTail finds where the tail begins, each reason on top of those before it, and
// what becomes of it.
func (p *course) findTail() (t tail, out said, err error) {
	t = p.tailOfSurvey()
	t.choice = cmp.Or(p.try.tail, p.w.Tail)
	for _, by := range []func(tail) (tail, said, error){p.tailByWish, p.tailByRules, p.tailByCopies} {
		var more said
		if t, more, err = by(t); err != nil {
			return t, out, err
		}
		out.also(more)
	}
	if !p.resizing() {
		return t, out, nil
	}
	if t.choice == "" {
		t.choice = TailBoth
		if p.w.Target.Sectors < p.s.Sectors || p.countedFromEnd(t) {
			t.choice = TailEnd
		}
	}
	if p.gptInForce() && t.atEnd() && t.End() == p.s.Sectors {
		out.note(disk.Warningf(disk.TailBeforeTable, t.Start,
			"the tail reaches the last sector, where the second copy of the GUID partition table belongs: at the new end it "+
				"lies %s further from the end, before that copy",
			sectors(p.backup())))
	}
	return t, out, nil
}

// tailOfSurvey returns the tail from the region that the survey found to be its
// beginning to the end of the disk, without the backup of a GUID partition table
// there. Whatever else lies in it moves with it.
func (p *given) tailOfSurvey() (t tail) {
	end := p.s.Sectors
	for _, backup := range slices.Backward(p.backupPlace()) {
		if backup.End() == end {
			end = backup.Start
		}
	}
	at := slices.IndexFunc(p.s.Regions, func(r layout.Region) bool { return r.Role == layout.RoleTail })
	if at < 0 {
		return t
	}
	t.Span = disk.Between(p.s.Regions[at].Start, end)
	for _, r := range p.s.Regions {
		if t.Holds(r.Start) {
			t.used = max(t.used, contentEnd(r.Span, r.Content, r.Role == layout.RoleDisputed))
		}
	}
	return t
}

// tailByWish takes the last 64 MiB as the tail if the owner says that there
// is one and the survey could not tell.
func (p *given) tailByWish(t tail) (_ tail, out said, _ error) {
	if !p.s.TailUndecided || t.choice != TailBoth && t.choice != TailEnd {
		return t, out, nil
	}
	n := min(disk.Sector(scan.TailLimit/p.s.SectorSize), p.s.Sectors)
	t = t.from(disk.Span{Start: p.s.Sectors - n, Count: n}, tailAssumed)
	out.note(disk.Warningf(disk.TailAssumed, t.Start,
		"where the tail begins is not known; as --tail %s asks for one, the last %s are taken", t.choice, sectors(n)))
	return t, out, nil
}
