package fit

import (
	"cmp"
	"maps"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// segment is a run of card sectors before anything is rendered on it: what the
// source has there, zeros, what the card held, or a whole volume that changes.
type segment struct {
	layout.Piece      // of a volume that changes only the place counts
	changes      bool // a volume that changes lies here
	volume       int  // its index
}

// ground is where what lies on the card before a single sector is made new.
type ground struct {
	source, card disk.Sector
	edge         disk.Sector // of the first and last sectors nothing is left as it was
	tail, kept   disk.Span   // source sectors; kept are those of the tail at their old address
	atOld, atEnd bool        // the tail lies at its old address, at the new end
	to           disk.Sector // first sector of the tail at the new end
	backup       disk.Sector // backup of a GUID partition table, at the very end
	oldBackup    disk.Spans  // where it was
	excess       layout.Op   // what becomes of sectors that the source did not have
	volumes      []placedVolume
}

// placedVolume is a volume that changes. Behind one of another size the old
// sectors of its entry are excess; behind one that keeps its size they stay.
type placedVolume struct {
	index     int
	now, left disk.Span
}

// ground gathers what was decided.
func (p *placement) ground() ground {
	out := ground{
		source: p.s.Sectors, card: p.w.Target.Sectors, edge: disk.Sector(plan.Edge / p.w.Target.SectorSize),
		tail: p.tail.Span, kept: p.tail.kept, backup: p.backup(), oldBackup: p.backupPlace(), excess: layout.Leave,
		atOld: p.tail.atOld(), atEnd: p.tail.atEnd(), to: p.tailTo(p.tail),
	}
	if p.w.Excess == ExcessZero {
		out.excess = layout.Zero
	}
	for _, index := range slices.Sorted(maps.Keys(p.sized)) {
		r, span := p.sized[index], p.volumeSpan(index)
		v := placedVolume{index: index, now: disk.Span{Start: span.Start, Count: r.Sectors}}
		if r.Sectors != p.open.resizable[index].Size() {
			v.left = disk.Between(v.now.End(), min(span.End(), p.room()))
		}
		out.volumes = append(out.volumes, v)
	}
	return out
}

// segments returns what the card holds before anything is rendered on it.
func (l *ground) segments() []segment {
	out := []segment{{Piece: layout.Piece{Span: disk.Span{Count: l.card}, Op: layout.Copy, Why: layout.WhyUnchanged}}}
	if l.card != l.source {
		out = l.clearOldTable(l.laid())
	}
	for _, v := range l.volumes {
		out = overlay(out, segment{Piece: layout.Piece{Span: v.now, Why: layout.WhyVolume}, changes: true, volume: v.index})
		if !v.left.Empty() {
			out = overlay(out, segment{Piece: layout.Piece{Span: v.left, Op: l.excess, Why: layout.WhyExcess}})
		}
	}
	return l.closeEdges(out)
}

// noteTailNotKept tells of a tail that goes to the new end and was to stay at its old address
// too, and of which the card ends, or a volume lies, there. Of one that lay twice on the disk
// is told otherwise (TailTwice).
func (p *placement) noteTailNotKept() (out said) {
	if p.tail.choice != TailBoth || p.tail.Empty() || !p.tail.kept.Empty() {
		return out
	}
	var stays disk.Sector
	l := p.ground()
	for _, q := range l.segments() {
		if !q.changes && q.Op == layout.Copy && q.From == q.Start {
			stays += q.Common(p.tail.Span).Count
		}
	}
	if n := p.tail.Count - stays; n > 0 {
		out.note(disk.Warningf(disk.TailNotKept, p.tail.Start,
			"the tail goes to the new end, and at its old address, from sector %s on, there is no room for %s of its %s on "+
				"this card", grouped(int64(p.tail.Start)), grouped(int64(n)), sectors(p.tail.Count)))
	}
	return out
}

// laid lays down the source in its place, the tail at its places, and the excess,
// on a card of another size.
func (l *ground) laid() (out []segment) {
	body := l.card - l.backup // where the new end of everything but the backup is
	if l.atEnd {
		body = l.to
	}
	keep := l.source // source sectors that may stay in their place
	if !l.tail.Empty() {
		keep = l.tail.Start
	}
	if !l.kept.Empty() {
		keep = l.kept.Start
	}
	at := disk.Sector(0)
	add := func(count disk.Sector, op layout.Op, from disk.Sector, why layout.Reason) {
		if count > 0 {
			out = append(out, segment{Piece: layout.Piece{Span: disk.Span{Start: at, Count: count}, Op: op, From: from,
				Why: why}})
			at += count
		}
	}
	add(min(keep, body), layout.Copy, 0, layout.WhyUnchanged)
	if !l.kept.Empty() {
		add(min(l.tail.Start, body)-keep, layout.Copy, keep, layout.WhyTailKept)
	}
	if l.atOld {
		add(min(l.tail.End(), body)-l.tail.Start, layout.Copy, l.tail.Start, layout.WhyTailKept)
	}
	add(body-at, l.excess, 0, layout.WhyExcess)
	if l.atEnd {
		add(min(l.tail.Count, l.card-l.backup-body), layout.Copy, l.tail.Start, layout.WhyTailMoved)
		add(l.card-l.backup-at, l.excess, 0, layout.WhyExcess)
	}
	add(l.card-at, layout.Zero, 0, layout.WhyTableCopy)
	return out
}

// clearOldTable puts zeros where the backup of a GUID partition table
// was: a header that names an end which is none any more helps nobody.
func (l *ground) clearOldTable(list []segment) []segment {
	stays := func(q segment) bool { return q.Op == layout.Copy && q.From == q.Start }
	for _, old := range l.oldBackup {
		list = zeroed(list, old, stays, layout.WhyOldTable)
	}
	return list
}

// closeEdges turns what would be left in the first and last 1 MiB into zeros:
// nothing that the card held before may show through where tables lie.
func (l *ground) closeEdges(list []segment) []segment {
	left := func(q segment) bool { return q.Op == layout.Leave }
	for _, edge := range []disk.Span{{Count: l.edge}, disk.Between(l.card-l.edge, l.card)} {
		list = zeroed(list, edge, left, 0)
	}
	return list
}

// zeroed turns what lies in a run into zeros, of the segments that which is true
// of. A why of 0 keeps the reason.
func zeroed(list []segment, s disk.Span, which func(segment) bool, why layout.Reason) (out []segment) {
	for _, q := range list {
		if !which(q) || !q.Overlaps(s) {
			out = append(out, q)
			continue
		}
		for _, part := range cutAt(q.Piece, []disk.Sector{s.Start, s.End()}) {
			if s.Covers(part.Span) {
				part = layout.Piece{Span: part.Span, Op: layout.Zero, Why: cmp.Or(why, part.Why)}
			}
			out = append(out, segment{Piece: part})
		}
	}
	return out
}

// overlay replaces what lies under q.
func overlay(list []segment, q segment) (out []segment) {
	laid := false
	for _, g := range list {
		if !g.Overlaps(q.Span) {
			out = append(out, g)
			continue
		}
		for _, part := range cutAt(g.Piece, []disk.Sector{q.Start, q.End()}) {
			switch {
			case !q.Covers(part.Span):
				out = append(out, segment{Piece: part, changes: g.changes, volume: g.volume})
			case !laid:
				out, laid = append(out, q), true
			}
		}
	}
	return out
}

// cutAt cuts a piece at every given sector inside it.
func cutAt(q layout.Piece, cuts []disk.Sector) []layout.Piece {
	var out []layout.Piece
	for _, c := range cuts {
		if c > q.Start && c < q.End() {
			first := q
			first.Count = c - q.Start
			out = append(out, first)
			q = advance(q, first.Count)
		}
	}
	return append(out, q)
}

// advance returns the piece without its first n sectors.
func advance(q layout.Piece, n disk.Sector) layout.Piece {
	q.Start += n
	q.Count -= n
	if q.Op == layout.Copy || q.Op == layout.Render {
		q.From += n
	}
	return q
}
