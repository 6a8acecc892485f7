package fit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// emit lays the patches on the pieces and returns the finished plan.
func (p *drawing) emit(findings []disk.Finding) (*plan.Plan, error) {
	source, err := p.sourceOf()
	if err != nil {
		return nil, err
	}
	b := plan.NewBuilder(p.w.Target, source)
	at := p.patches.sorted()
	pieces, rendered := len(p.laid)+2*len(at), disk.Sector(len(at))
	for _, r := range p.sized {
		n, made := r.Made()
		pieces, rendered = pieces+n, rendered+made
	}
	b.Grow(pieces, rendered)
	for _, laid := range p.laid {
		q := laid.Piece
		for len(at) > 0 && at[0] < q.End() {
			x := at[0]
			lay(b, part(q, disk.Between(q.Start, x)))
			fix := p.patches[x]
			b.Render(x, fix.data, fix.why, fix.rank)
			q = advance(q, x+1-q.Start)
			at = at[1:]
		}
		if !laid.changes {
			lay(b, q)
		} else if err := p.emitVolume(laid.volume, b); err != nil {
			return nil, err
		}
	}
	if err := p.drop(b); err != nil {
		return nil, err
	}
	for _, f := range findings {
		f.Text = strings.ToValidUTF8(f.Text, "?")
		b.Find(f)
	}
	return b.Plan()
}

func part(q layout.Piece, s disk.Span) layout.Piece {
	q.Count = s.Count
	return q
}

// lay adds one piece, which may be empty.
func lay(b *plan.Builder, q layout.Piece) {
	switch q.Op {
	case layout.Zero:
		b.Zero(q.Span, q.Why, q.Rank)
	case layout.Leave:
		b.Leave(q.Span, q.Why, q.Rank)
	case layout.Copy:
		b.Copy(q.Span, q.From, q.Why, q.Rank)
	}
}

// sourceOf binds the plan to the source: its size, and the bytes whose change
// would make the plan stale.
func (p *drawing) sourceOf() (plan.Source, error) {
	known := image.Unknown(p.src, image.Whole(p.src)).Outside(image.Whole(p.src))
	var meaning disk.Spans
	for _, m := range p.meaning() {
		meaning = meaning.Union(known.Within(m))
	}
	digest, err := plan.MeaningDigest(p.src, p.s.SectorSize, meaning)
	if err != nil {
		return plan.Source{}, fmt.Errorf("hashing the sectors that the plan rests on: %w", err)
	}
	return plan.Source{
		Size: plan.Size{Sectors: p.s.Sectors, SectorSize: p.s.SectorSize},
		Path: p.w.Path, Digest: digest, Meaning: meaning,
	}, nil
}

// meaning returns the sectors that were interpreted: sector 0, every table,
// what the volumes were recognised by, and both ends of the tail.
func (p *drawing) meaning() disk.Spans {
	edge := disk.Sector(plan.Edge / p.s.SectorSize)
	m := disk.NewSpans(disk.Span{Count: 1})
	for _, t := range p.s.Tables {
		m = m.Union(t.Own)
	}
	for _, v := range p.s.Volumes {
		m = m.Union(v.Meaning)
	}
	for index := range p.sized {
		m = m.Union(p.volumeMeaning(index))
	}
	for _, t := range []disk.Span{p.tail.kept, p.tail.Span} {
		n := min(edge, t.Count)
		m = m.Union(disk.NewSpans(disk.Span{Start: t.Start, Count: n}, disk.Span{Start: t.End() - n, Count: n}))
	}
	return m.Union(p.rulesMeaning()).Within(image.Whole(p.src))
}

// drop lists every source sector that the card does not carry.
func (p *drawing) drop(b *plan.Builder) error {
	var ground []disk.Span
	for _, q := range p.base {
		if q.Op == layout.Copy {
			ground = append(ground, disk.Span{Start: q.From, Count: q.Count})
		}
	}
	carried := [][]disk.Span{ground}
	for index := range p.sized {
		copied, err := p.volumeCopies(index)
		if err != nil {
			return err
		}
		for _, made := range p.volumeMeaning(index) { // what was made new has been read
			carried = append(carried, disk.NewSpans(p.emptied(index)).Outside(made))
		}
		carried = append(carried, copied)
	}
	set := disk.SpansFrom(slices.Concat(carried...))
	for _, r := range p.s.Regions {
		spans := p.apart(set.Outside(r.Span), r)
		dropped := make([]plan.Dropped, 0, len(spans))
		for _, lost := range spans {
			why := "blank, and outside what is used"
			switch {
			case p.tail.choice == TailDrop && p.tail.Holds(lost.Start):
				why = "the tail was to be left behind"
			case p.isBackup(r):
				why = "made new at the new end"
			case r.Role == layout.RoleDisputed:
				why = "part of a table that is not in force, let go by " + string(disk.StaleTableCut)
			case p.tail.kept.Overlaps(lost):
				why = "the copy of the tail at its old address; the same sectors are copied to the new end"
			case p.mayBeUnknown(r, lost.Start) && len(image.Unknown(p.src, lost)) > 0:
				why = "not known, let go by " + string(disk.NotKnownCut)
			case r.Role == layout.RoleVolume && p.inEmptied(lost.Start):
				why = "the volume was to become empty"
			case r.Role == layout.RoleVolume && p.inSized(lost.Start):
				why = "no file uses it"
			case r.Role == layout.RoleVolume && p.slackUsed(lost):
				why = "in use after the end of the volume in it, let go by " + string(disk.SlackInUse)
			case r.Role == layout.RoleVolume:
				why = "after the end of the volume in it"
			}
			dropped = append(dropped, plan.Dropped{Span: lost, Role: r.Role, Name: strings.ToValidUTF8(r.Name, "?"), Why: why})
		}
		b.Drop(dropped...)
	}
	return nil
}

// slackUsed tells whether sectors in use behind a volume are among those that
// are left behind.
func (p *given) slackUsed(lost disk.Span) bool {
	for _, v := range p.s.Volumes {
		if s := v.Slack; s != nil && s.NonBlank > 0 && lost.Overlaps(disk.Between(s.First, s.Last+1)) {
			return true
		}
	}
	return false
}

// mayBeUnknown tells whether it matters at a sector of a region that the source
// does not know it: inside a volume that changes its table speaks for it.
func (p *drawing) mayBeUnknown(r layout.Region, at disk.Sector) bool {
	return hasUnknown(r) || r.Role == layout.RoleVolume && !p.inSized(at)
}

// apart divides what is left behind of a region at the ends of volumes, and into
// what is known and what is not.
func (p *drawing) apart(spans disk.Spans, r layout.Region) []disk.Span {
	var ends []disk.Sector
	for _, v := range p.s.Volumes {
		ends = append(ends, v.End())
	}
	slices.Sort(ends)
	out := make([]disk.Span, 0, len(spans)+len(ends))
	add := func(s disk.Span) {
		if !p.mayBeUnknown(r, s.Start) {
			out = append(out, s)
			return
		}
		unknown := image.Unknown(p.src, s)
		out = append(append(out, unknown...), unknown.Outside(s)...)
	}
	for _, s := range spans {
		for _, end := range ends {
			if s.Start < end && end < s.End() {
				add(disk.Between(s.Start, end))
				s = disk.Between(end, s.End())
			}
		}
		add(s)
	}
	slices.SortFunc(out, func(a, b disk.Span) int { return cmp.Compare(a.Start, b.Start) })
	return out
}

// inSized tells whether a source sector lies in a volume that changes.
func (p *drawing) inSized(x disk.Sector) bool {
	for index := range p.sized {
		if v := p.s.Volume(index); v.Holds(x) {
			return true
		}
	}
	return false
}

// inEmptied tells whether a source sector lies in a volume that becomes empty.
func (p *drawing) inEmptied(x disk.Sector) bool {
	for index := range p.sized {
		if p.w.Volumes.Wish[index].Empty && p.s.Volume(index).Holds(x) {
			return true
		}
	}
	return false
}
