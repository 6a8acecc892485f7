package fit

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/resize"
)

// Volumes are the wishes for the sizes of FAT volumes.
type Volumes struct {
	Wish    map[int]resize.Wishes // by index of the entry, 0 = bare; what the planner knows better it fills in
	Default resize.Wishes         // for a volume that nobody named and that has to shrink
	Limit   disk.Sector           // first sector that the device cannot reach, 0 if it reaches all
	Heads   *mbr.Geometry         // the geometry that tables and boot sectors name, if it is to be another one
	Reserve float64               // part of the card left free for a next one that is a little smaller
}

// planVolumes plans every FAT volume that somebody named, and on a smaller
// card every one that reaches beyond the room. Nothing else moves for it.
func (p *planner) planVolumes() error {
	p.sized = map[int]*resize.Result{}
	for index := range p.w.Volumes.Wish {
		if p.open.fat[index] == nil {
			p.refuse(disk.Refusalf(disk.NoSuchVolume, disk.NoSector, "there is no FAT volume in %s, so its size cannot be changed", where(index)))
		}
	}
	for _, index := range slices.Sorted(maps.Keys(p.open.fat)) {
		wish, asked := p.w.Volumes.Wish[index]
		if g := p.w.Volumes.Heads; g != nil {
			if !asked {
				wish, asked = p.w.Volumes.Default, true
			}
			wish.Geometry = &resize.CHS{Heads: uint16(g.Heads), SectorsPerTrack: uint16(g.SectorsPerTrack)}
		}
		span := p.volumeSpan(index)
		beyond := p.w.Target.Sectors < p.s.Sectors && p.volumeEnd(index) > p.room()
		switch {
		case !asked && !beyond, p.s.Volume(index) == nil:
			continue
		case !asked && p.entryFixed(index):
			continue
		case asked && p.completed(span, wish).Leaves(p.open.fat[index].Sectors):
			continue
		case p.shared(index, asked):
			continue
		case !asked && p.slackStays(index): // it would have to become smaller
			continue
		case !asked:
			wish = p.w.Volumes.Default
		}
		if err := p.planVolume(index, span, wish); err != nil {
			return err
		}
	}
	return nil
}

// entryFixed tells whether an entry keeps its length whatever is asked.
func (p *planner) entryFixed(index int) bool {
	return index > 0 && !p.tableIsRendered() || p.gptInForce() && p.pinned(*p.s.Entry(index))
}

// slackStays tells whether a volume keeps its size because of what lies in its
// entry behind it: that goes with a change of the size, so its owner has to let
// it go, whether it is in use or nobody knows it.
func (p *planner) slackStays(index int) bool {
	used, unread := p.slack(index)
	if used > 0 && !p.ask(p.slackInUse(index)) {
		return true
	}
	return unread > 0 && !p.ask(p.slackNotKnown(index))
}

// slack returns how many sectors of an entry behind its volume are in use, and
// how many nobody knows.
func (p *planner) slack(index int) (used, unread disk.Sector) {
	if v := p.s.Volume(index); index > 0 && v != nil && v.Slack != nil {
		return v.Slack.NonBlank, v.Slack.Unread
	}
	return 0, 0
}

// slackInUse asks about what lies in an entry behind its volume.
func (p *planner) slackInUse(index int) disk.Finding {
	s := p.s.Volume(index).Slack
	return disk.Refusalf(disk.SlackInUse, s.First, "%s has %s in use behind the end of its volume, and nothing says what they are (the first is sector %s); they do not arrive on a card on which the entry becomes shorter or its volume another size", where(index), sectors(s.NonBlank), grouped(int64(s.First)))
}

// slackNotKnown asks about sectors of an entry behind its volume that the source
// does not know.
func (p *planner) slackNotKnown(index int) disk.Finding {
	v := p.s.Volume(index)
	return disk.Refusalf(disk.NotKnownCut, v.End(), "%s of %s behind the end of its volume %s not known; they do not arrive on the card. Another capture may know them", sectors(v.Slack.Unread), where(index), isAre(v.Slack.Unread))
}

func where(index int) string {
	if index == 0 {
		return "the disk without a table"
	}
	return fmt.Sprintf("entry %d", index)
}

// volumeSpan returns the sectors of the entry of a volume, or those up to the
// end of the disk for a bare one.
func (p *planner) volumeSpan(index int) disk.Span {
	if e := p.s.Entry(index); e != nil {
		return disk.Between(e.Start, min(e.End(), p.s.Sectors))
	}
	if v := p.s.Volume(index); v != nil {
		return v.Span
	}
	return disk.Span{}
}

// volumeEnd returns the end of what is used of the entry of a volume.
func (p *planner) volumeEnd(index int) disk.Sector {
	if index > 0 {
		return p.ends[index]
	}
	return p.volumeSpan(0).End()
}

// completed adds to the wishes for a volume what the planner knows of the card.
func (p *planner) completed(span disk.Span, w resize.Wishes) resize.Wishes {
	w.Base, w.From = span.Start, span.Start
	w.Room = max(p.roomAfter(span)-span.Start, 1)
	if p.w.Volumes.Limit > 0 {
		w.Limit = max(p.w.Volumes.Limit-span.Start, 1)
	}
	if w.Sectors == 0 {
		w.Reserve = disk.Sector(p.w.Volumes.Reserve * float64(p.w.Target.Sectors))
	}
	return w
}

func (p *planner) planVolume(index int, span disk.Span, w resize.Wishes) error {
	v := p.open.fat[index]
	t, err := table(index, v)
	var cut *disk.FormatError
	if errors.As(err, &cut) {
		p.refuse(disk.Refusalf(disk.FATTableMissing, p.s.Sectors, "%s: the disk ends before the allocation table, so nobody can say which clusters are free: the volume can only be carried as it is", where(index)))
		return nil
	}
	if err != nil {
		return err
	}
	w = p.completed(span, w)
	end := p.roomAfter(span)
	w.Accept = func(code disk.Code) bool { p.used[code] = true; return p.accepted[code] }
	if w.BootCode, err = p.bootCode(span.Start); err != nil {
		return err
	}
	r, err := resize.Plan(v, t, nil, w)
	var refused *resize.Refused
	if errors.As(err, &refused) {
		p.volumeRefused(index, span, refused, end)
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s: %w", where(index), err)
	}
	p.keepVolume(index, span, v, r)
	return nil
}

// keepVolume takes a planned volume over.
func (p *planner) keepVolume(index int, span disk.Span, v *fat.Volume, r *resize.Result) {
	for _, f := range r.Findings {
		p.note(inVolume(f, index, span))
	}
	if !r.Changed() {
		return
	}
	p.sized[index] = r
	if r.Sectors == v.Sectors {
		return
	}
	if p.entryFixed(index) {
		p.refuse(disk.Refusalf(disk.EntryFixed, span.Start, "%s cannot become shorter or longer: its table is carried as it is", where(index)))
		return
	}
	p.slackStays(index) // if so, there is no plan
	if index > 0 {
		p.ends[index] = span.Start + r.Sectors
		p.resized[index] = r.Sectors
	}
}

// volumeRefused takes a refusal over. If the card is too small for the volume
// even at its smallest, the numbers of the whole card are told with it.
func (p *planner) volumeRefused(index int, span disk.Span, r *resize.Refused, end disk.Sector) {
	for _, f := range r.Why {
		p.refuse(inVolume(f, index, span))
	}
	for _, f := range r.Need {
		p.refused.Need = append(p.refused.Need, inVolume(f, index, span))
	}
	if r.Sectors > 0 && r.Sectors != p.open.fat[index].Sectors {
		p.slackStays(index)
	}
	n := r.Limits.Smallest
	if p.w.Volumes.Default.MoveNone {
		n = r.Limits.SmallestUnmoved
	}
	least := span.Start + n
	switch {
	case n == 0 || index > 0 && p.ends[index] <= end:
		return
	case least <= end && len(r.Why) == 0:
		least = end // it fits as soon as its owner accepts what is asked
	}
	p.smallest = max(p.smallest, least)
	if index > 0 {
		p.ends[index] = least
	}
}

func inVolume(f disk.Finding, index int, span disk.Span) disk.Finding {
	if f.Sector != disk.NoSector {
		f.Sector += span.Start
	}
	f.Text = where(index) + ": " + f.Text
	return f
}

// roomAfter returns how far a volume may reach on the card: up to the next
// thing that stays in its place.
func (p *planner) roomAfter(span disk.Span) disk.Sector {
	end := p.room()
	block := func(start, stop disk.Sector) {
		if start > span.Start && stop > span.End() || start >= span.End() {
			end = min(end, max(start, span.End()))
		}
	}
	for _, e := range p.s.Entries {
		if isVolume(e) && e.Start > span.Start {
			block(e.Start, e.End())
		}
	}
	for _, r := range p.s.Regions {
		switch {
		case p.need.tail.Holds(r.Start), p.isSecond(r), r.Role == layout.RoleVolume, r.Start < span.End():
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

// emitVolume hands the pieces of a volume on, with zeros for what the source
// does not know.
func (p *planner) emitVolume(index int, to resize.Sink) error {
	edge := disk.Sector(plan.Edge / p.w.Target.SectorSize)
	span := p.volumeSpan(index)
	open := disk.Between(edge, p.w.Target.Sectors-edge)
	if p.w.Excess == ExcessZero {
		open = disk.Span{}
	}
	err := p.sized[index].Emit(resize.Placed{To: knownOnly{to, p.src}, Card: span.Start, Source: span.Start, Open: open})
	if err != nil {
		return fmt.Errorf("%s: %w", where(index), err)
	}
	return nil
}

// knownOnly turns copies of sectors that the source does not know into zeros.
type knownOnly struct {
	resize.Sink
	src image.Source
}

// Copy implements resize.Sink.
func (k knownOnly) Copy(s disk.Span, from disk.Sector, why layout.Reason, rank layout.Rank) {
	unknown := image.Unknown(k.src, disk.Span{Start: from, Count: s.Count})
	if len(unknown) == 0 {
		k.Sink.Copy(s, from, why, rank)
		return
	}
	for _, part := range cutUnknown(layout.Piece{Span: s, Op: layout.Copy, From: from, Why: why, Rank: rank}, unknown) {
		if part.Op == layout.Copy {
			k.Sink.Copy(part.Span, part.From, why, rank)
		} else {
			k.Sink.Zero(part.Span, layout.WhyMissing, rank)
		}
	}
}

// volumeCopies returns the source sectors that the changed volume copies,
// whether they are known or not.
func (p *planner) volumeCopies(index int) (disk.Spans, error) {
	copied, err := p.sized[index].Copied()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", where(index), err)
	}
	return shifted(copied, p.volumeSpan(index).Start), nil
}

// shifted returns spans counted from the start of the disk that are counted from
// the start of a volume.
func shifted(spans disk.Spans, start disk.Sector) disk.Spans {
	out := make(disk.Spans, 0, len(spans))
	for _, s := range spans {
		out = append(out, disk.Span{Start: s.Start + start, Count: s.Count})
	}
	return out
}

// emptied returns the root directory of a volume that becomes empty.
func (p *planner) emptied(index int) disk.Span {
	s := p.sized[index].Emptied
	s.Start += p.volumeSpan(index).Start
	return s
}

// volumeMeaning returns the disk sectors that were interpreted to change a
// volume.
func (p *planner) volumeMeaning(index int) disk.Spans {
	return shifted(p.sized[index].Meaning, p.volumeSpan(index).Start)
}
