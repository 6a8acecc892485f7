package fit

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/scan"
)

// proof is the work of looking at the planned card again, as at any disk.
type proof struct {
	*drawing
	said
	made    *plan.Plan
	renewed disk.Spans // source sectors whose own format makes them new
	gone    disk.Spans // source sectors that need no place on the card

	shown *layout.Map // the survey of the planned card
}

// prove is the last step of planning, and no plan goes round it. Where the card
// breaks what it should keep the plan is refused, or its owner is asked.
func (p *drawing) prove(made *plan.Plan) (said, error) {
	c, err := card.New(made, p.src)
	if err != nil {
		return said{}, err
	}
	z := &proof{drawing: p, made: made, renewed: p.madeNew(), gone: p.letGo()}
	looks := []func(*card.Card) error{z.resurvey, z.proveCarried}
	if p.resizing() {
		looks = append(looks, z.proveRules, z.proveInvariants)
	}
	if len(made.Pieces) > 1 || p.resizing() { // a card of one piece is the original
		looks = append(looks, z.proveLinks)
	}
	for _, look := range looks {
		if err := look(c); err != nil {
			return z.said, fmt.Errorf("looking at the planned card again: %w", err)
		}
	}
	return z.said, nil
}

// resurvey surveys the planned card like any disk and wants to find what the
// original has: the same table in force, the same entries and volumes but for
// those that were to change, and no refusal that is new.
func (p *proof) resurvey(c *card.Card) error {
	got, err := scan.Run(p.ctx, c.Known(), scan.Options{Structure: true})
	if err != nil {
		return err
	}
	p.shown = got
	if got.Table != p.s.Table {
		p.shows(0, "its table in force is of kind %s, and that of the original is of kind %s", got.Table, p.s.Table)
		return nil
	}
	p.sameEntries(got)
	p.sameVolumes(got)
	p.noNewRefusal(got)
	return nil
}

// shows refuses a card on which something else is found than was asked for.
func (p *proof) shows(at disk.Sector, format string, args ...any) {
	p.refuse(disk.Refusalf(disk.CardShowsOther, at,
		"the planned card, surveyed again, is not what was asked for: %s", fmt.Sprintf(format, args...)))
}

// sameEntries compares the entries, each with the length that it was to get.
func (p *proof) sameEntries(got *layout.Map) {
	if len(got.Entries) != len(p.s.Entries) {
		p.shows(0, "it has %d entries instead of %d", len(got.Entries), len(p.s.Entries))
		return
	}
	for _, e := range p.s.Entries {
		want := disk.Between(e.Start, p.newEnd(e))
		g := got.Entry(e.Index)
		if g == nil || g.Span != want || g.Type != e.Type || g.Name != e.Name || g.Active != e.Active ||
			g.Extended != e.Extended {
			p.shows(e.Start, "entry %d (%s, type %s) became %+v", e.Index, want, e.Type, g)
		}
	}
}

// sameVolumes compares the volumes: of each the kind, the label, the identifier
// and the place, and the size unless it was to change. A volume more is one
// that a copy made readable.
func (p *proof) sameVolumes(got *layout.Map) {
	for _, v := range p.s.Volumes {
		want, label := v.Span, v.Label
		r := p.sized[v.Index]
		if r != nil {
			want.Count = r.Sectors
		}
		g := got.Volume(v.Index)
		if g != nil && !v.Sized {
			want.Count = g.Count // it has no size of its own, and its entry is compared
		}
		if g != nil && r != nil && p.w.Volumes.Wish[v.Index].Empty {
			label = g.Label // its root directory, which may hold another one, was not known
		}
		if g == nil || g.Span != want || g.Kind != v.Kind || g.Label != label || g.ID != v.ID {
			p.shows(v.Start, "the %s volume %q in %s, %s, became %s", v.Kind, v.Label, where(v.Index), want, volumeText(g))
		}
	}
	known := len(image.Unknown(p.src, image.Whole(p.src))) == 0
	if known && len(got.Volumes) > len(p.s.Volumes) {
		p.shows(0, "it has %d volumes instead of %d", len(got.Volumes), len(p.s.Volumes))
	}
}

func volumeText(v *layout.Volume) string {
	if v == nil {
		return "none"
	}
	return fmt.Sprintf("%s %q, %s, %s", v.Kind, v.Label, v.ID, v.Span)
}

// noNewRefusal wants no finding on the card that stands against using it and that the
// original did not have. Where one moved with what it is about, its sector is another
// one: of each code there must not be more of them.
func (p *proof) noNewRefusal(got *layout.Map) {
	had := map[disk.Code]int{}
	for _, f := range p.s.Findings {
		if f.Severity == disk.Refusal {
			had[f.Code]++
		}
	}
	for _, f := range got.Findings {
		if f.Severity != disk.Refusal {
			continue
		}
		if had[f.Code]--; had[f.Code] < 0 {
			p.shows(f.Sector, "it has a refusal that the original does not have, %s: %s", f.Code, f.Text)
		}
	}
}

// proveCarried wants every sector of the original that is in use, or that
// nobody knows, at the place on the card where its claimant looks for it. What
// is not there must be made new by its own format, be free by the table of its
// volume, or be let go by a code or a wish. It compares pieces: only what has
// no place is read.
func (p *proof) proveCarried(*card.Card) error {
	for _, c := range append(p.claims(), p.unclaimed()...) {
		if p.sized[c.index] != nil && c.index != noEntry {
			if err := p.proveVolume(c.index); err != nil {
				return err
			}
			if c.index == 0 {
				continue
			}
			c.Span = disk.Between(p.s.Volume(c.index).End(), c.End())
		}
		for _, h := range p.homes(c.Span) {
			if err := p.proveHome(c, h); err != nil {
				return err
			}
		}
	}
	return nil
}

// unclaimed returns what no volume claims: gaps, boot areas and the tail.
func (p *given) unclaimed() (out []claim) {
	for _, r := range p.s.Regions {
		if r.Role != layout.RoleVolume {
			out = append(out, claim{Span: r.Span, index: noEntry, name: r.Name})
		}
	}
	return out
}

// home is where sectors of the original belong on the card: by sectors further
// than they were.
type home struct {
	disk.Span
	by disk.Sector
}

// homes divides a run into what counts from the start of the disk and what from
// its end.
func (p *proof) homes(s disk.Span) (out []home) {
	tail := p.tail.Span
	if !p.resizing() || p.tail.choice == TailDrop || p.tail.choice == TailSamePlace || tail.Empty() {
		return []home{{s, 0}}
	}
	by := p.tailTo(p.tail) - tail.Start
	for _, part := range []home{
		{disk.Between(s.Start, min(s.End(), tail.Start)), 0}, {s.Common(tail), by},
		{disk.Between(max(s.Start, tail.End()), s.End()), 0},
	} {
		if !part.Empty() {
			out = append(out, part)
		}
	}
	return out
}

// proveHome looks at the pieces in the home of some sectors.
func (p *proof) proveHome(c claim, h home) error {
	for at := h.Start; at < h.End(); {
		rest := disk.Between(at, h.End())
		q := p.made.Lookup(at + h.by)
		if q == nil {
			return p.proveGone(c, rest)
		}
		part := disk.Between(at, min(q.End()-h.by, h.End()))
		switch {
		case q.Op == layout.Copy && q.From-q.Start == -h.by:
		case q.Why == layout.WhyOtherCopy:
		case q.Op == layout.Render && len(p.renewed.Outside(part)) == 0:
		case q.Op == layout.Zero && q.Why == layout.WhyMissing && p.missingAccepted(part):
		default:
			if err := p.proveGone(c, part); err != nil {
				return err
			}
		}
		at = part.End()
	}
	return nil
}

// madeNew returns the source sectors whose own format makes them new: those of
// tables, and those that rules speak of.
func (p *drawing) madeNew() disk.Spans {
	out := disk.NewSpans(disk.Span{Count: 1}).Union(p.from)
	for _, t := range p.s.Tables {
		out = out.Union(t.Own)
	}
	if p.gptInForce() { // a copy that cannot be read is made from the other one
		out = out.Union(p.open.gpt.PrimaryPlace()).Union(p.backupPlace())
	}
	return out
}

// missingAccepted tells whether sectors are unknown, and zeros in their place
// were accepted.
func (p *given) missingAccepted(s disk.Span) bool {
	return image.Unknown(p.src, s).Sectors() == s.Count && (p.lets(disk.MissingInBootArea) || p.lets(disk.MissingInVolume))
}

// proveGone refuses the plan if sectors without a place on the card are in use,
// or may be, and nobody has let them go.
func (p *proof) proveGone(c claim, s disk.Span) error {
	for _, part := range p.gone.Outside(s) {
		if p.knownBlank(part) {
			continue
		}
		found, err := scan.Look(p.ctx, p.src, part)
		switch {
		case err != nil:
			return err
		case found.NonBlank > 0:
			p.lost(c, part, fmt.Sprintf("%s in use, the first is sector %s", sectors(found.NonBlank),
				grouped(int64(found.First))))
		case found.Unread > 0 && !p.accepts(disk.NotKnownCut):
			p.lost(c, part, fmt.Sprintf("%s not known", sectors(found.Unread)))
		}
	}
	return nil
}

func (p *proof) lost(c claim, s disk.Span, what string) {
	p.refuse(disk.Refusalf(disk.SectorsLost, s.Start,
		"%s of %s have no place on the planned card (%s), and nobody has let them go", s.Text(), c.name, what))
}

// letGo returns the source sectors that have no place on the card because their
// owner said so, or because they are made new at another place.
func (p *drawing) letGo() disk.Spans {
	out := disk.NewSpans(p.tail.kept) // the same sectors are carried as the tail
	if p.resizing() {
		out = out.Union(p.backupPlace())
	}
	if p.tail.choice == TailDrop {
		out = out.Add(p.tail.Span)
	}
	if p.accepts(disk.SlackInUse) {
		for _, v := range p.s.Volumes {
			if e := p.s.Entry(v.Index); e != nil && v.Slack != nil {
				out = out.Add(disk.Between(v.End(), e.End()))
			}
		}
	}
	if p.accepts(disk.StaleTableCut) {
		for _, c := range p.claims() {
			if c.stale {
				out = out.Add(c.Span)
			}
		}
	}
	return out
}

// knownBlank tells whether the survey has read that sectors are blank.
func (p *given) knownBlank(s disk.Span) bool {
	for _, r := range p.s.Regions {
		if r.Covers(s) && blankIn(s, r.Content) {
			return true
		}
	}
	for _, v := range p.s.Volumes {
		e := p.s.Entry(v.Index)
		if e != nil && v.Slack != nil && disk.Between(v.End(), e.End()).Covers(s) && blankIn(s, *v.Slack) {
			return true
		}
	}
	return false
}

// blankIn tells whether a look at a run has found sectors of it to be blank.
func blankIn(s disk.Span, c layout.Content) bool {
	return c.Looked && c.Unread == 0 && (c.NonBlank == 0 || s.Start > c.Last || s.End() <= c.First)
}

// proveVolume wants every cluster in use of a volume that changes on the card,
// copied or made new as a directory, and all before the clusters read.
func (p *proof) proveVolume(index int) error {
	if p.w.Volumes.Wish[index].Empty {
		return nil // its owner has let its files go; nobody else claims a sector of it
	}
	r, span := p.sized[index], p.volumeSpan(index)
	now := disk.Span{Start: span.Start, Count: r.Sectors}
	first := p.made.Index(now.Start)
	end := first
	for end < len(p.made.Pieces) && p.made.Pieces[end].Start < now.End() {
		end++
	}
	meaning := p.volumeMeaning(index)
	list := append(make([]disk.Span, 0, end-first+len(meaning)), meaning...)
	for i := range p.made.Pieces[first:end] {
		if q := &p.made.Pieces[first+i]; q.Op == layout.Copy {
			list = append(list, disk.Span{Start: q.From, Count: q.Count})
		}
	}
	carried := disk.SpansFrom(list)
	whole := image.Whole(p.src)
	err := p.open.resizable[index].InUse(func(used disk.Span) {
		used.Start += span.Start
		for _, s := range carried.Outside(used.Common(whole)) {
			if !p.missingAccepted(s) {
				p.lost(claim{name: where(index)}, s, "its allocation table says that a file or the volume itself uses them")
			}
		}
	})
	if err != nil {
		return fmt.Errorf("%s: %w", where(index), err)
	}
	return nil
}
