package fit

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume"
)

// Volumes are the wishes for the sizes of FAT volumes.
type Volumes struct {
	Wish    map[int]volume.Wishes // by index of the entry, 0 = bare; what the planner knows better it fills in
	Default volume.Wishes         // for a volume that nobody named and that has to shrink
	Limit   disk.Sector           // first sector that the device cannot reach, 0 if it reaches all
	Heads   *mbr.Geometry         // the geometry that tables and boot sectors name, if it is to be another one
	Reserve float64               // part of the card left free for a next one that is a little smaller
}

// volumes are the FAT volumes that get another size on the card, or another content.
type volumes struct {
	sized map[int]*volume.Resized // by index of the entry, 0 = bare
	ends  map[int]disk.Sector     // of their entries, and of those whose volume does not fit: what is in use of them
	least disk.Sector             // end of the volumes at their smallest, where one does not fit
	fixed []disk.Finding          // why volumes that reach too far stay as they are
}

// sizing is the work of making volumes.
type sizing struct {
	*requirement
	said
	out volumes
}

// sizeVolumes plans every FAT volume that somebody named, and on a smaller
// card every one that reaches beyond the room. Nothing else moves for it.
func (p *requirement) sizeVolumes() (volumes, said, error) {
	z := &sizing{requirement: p, out: volumes{sized: map[int]*volume.Resized{}, ends: map[int]disk.Sector{}}}
	for _, index := range slices.Sorted(maps.Keys(p.w.Volumes.Wish)) {
		if p.open.resizable[index] == nil {
			z.refuse(disk.Refusalf(disk.NoSuchVolume, disk.NoSector,
				"there is no FAT volume in %s, so its size cannot be changed", where(index)))
		}
	}
	for _, index := range slices.Sorted(maps.Keys(p.open.resizable)) {
		span := p.volumeSpan(index)
		if wish, changes := z.wishFor(index, span); changes {
			if err := z.size(index, span, wish); err != nil {
				return z.out, z.said, err
			}
		}
	}
	return z.out, z.said, nil
}

// wishFor returns what is wanted of a volume, and whether it changes.
func (p *sizing) wishFor(index int, span disk.Span) (wish volume.Wishes, changes bool) {
	wish, asked := p.w.Volumes.Wish[index]
	if g := p.w.Volumes.Heads; g != nil {
		if !asked {
			wish, asked = p.w.Volumes.Default, true
		}
		wish.Geometry = &volume.CHS{Heads: uint16(g.Heads), SectorsPerTrack: uint16(g.SectorsPerTrack)}
	}
	beyond := p.w.Target.Sectors < p.s.Sectors && p.volumeEnd(index) > p.room()
	if d := p.w.Volumes.Default; !asked && !beyond && (d.Free == volume.FreeSkip || d.BadMarks == volume.BadClear) {
		wish, asked = d, true // these two say what is left behind, whatever the size
		wish.Mode = volume.Keep
	}
	switch {
	case !asked && !beyond, p.s.Volume(index) == nil:
		return wish, false
	case !asked && p.entryFixed(index):
		return wish, false
	case asked && p.completed(span, wish).Leaves(p.open.resizable[index].Size()):
		return wish, false
	case p.shared(index, asked):
		return wish, false
	case !asked && p.slackStays(index): // it would have to become smaller
		return wish, false
	case !asked:
		wish = p.w.Volumes.Default
	}
	return wish, true
}

// entryFixed tells whether an entry keeps its length whatever is asked.
func (p *given) entryFixed(index int) bool {
	return index > 0 && !p.tableIsRendered() || p.gptInForce() && p.pinned(*p.s.Entry(index))
}

// whyFixed says why an entry keeps its length.
func (p *given) whyFixed(index int) string {
	switch e := p.s.Entry(index); {
	case !p.tableIsRendered():
		return "its table is copied as it is"
	case p.open.gpt.Tied(e.Span):
		return "the boot record beside its table names other sectors of it, or what lies behind it"
	}
	return "it runs past the disk, lies outside the usable sectors, or over another entry"
}

// slackStays tells whether a volume keeps its size because of what lies in its
// entry behind it: that goes with a change of the size, so its owner has to let
// it go, whether it is in use or nobody knows it.
func (p *sizing) slackStays(index int) bool {
	used, unread := p.slack(index)
	if used > 0 {
		p.ask(p.slackInUse(index))
		if !p.lets(disk.SlackInUse) {
			return true
		}
	}
	if unread > 0 {
		p.ask(p.slackNotKnown(index))
	}
	return unread > 0 && !p.lets(disk.NotKnownCut)
}

// slack returns how many sectors of an entry behind its volume are in use, and
// how many nobody knows.
func (p *given) slack(index int) (used, unread disk.Sector) {
	if v := p.s.Volume(index); index > 0 && v != nil && v.Slack != nil {
		return v.Slack.NonBlank, v.Slack.Unread
	}
	return 0, 0
}

// slackInUse asks about what lies in an entry behind its volume.
func (p *given) slackInUse(index int) disk.Finding {
	s := p.s.Volume(index).Slack
	return disk.Refusalf(disk.SlackInUse, s.First,
		"%s has %s in use behind the end of its volume, and nothing says what they are (the first is sector %s); they do "+
			"not arrive on a card on which the entry becomes shorter or its volume another size",
		where(index), sectors(s.NonBlank), grouped(int64(s.First)))
}

// slackNotKnown asks about sectors of an entry behind its volume that the source
// does not know.
func (p *given) slackNotKnown(index int) disk.Finding {
	v := p.s.Volume(index)
	return disk.Refusalf(disk.NotKnownCut, v.End(),
		"%s of %s behind the end of its volume %s not known; they do not arrive on the card. Another capture may know them",
		sectors(v.Slack.Unread), where(index), disk.IsAre(v.Slack.Unread))
}

// volumeEnd returns the end of what is used of the entry of a volume.
func (p *requirement) volumeEnd(index int) disk.Sector {
	if index > 0 {
		return p.ends[index]
	}
	return p.volumeSpan(0).End()
}

// completed adds to the wishes for a volume what the planner knows of the card.
func (p *requirement) completed(span disk.Span, w volume.Wishes) volume.Wishes {
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

// size plans one volume.
func (p *sizing) size(index int, span disk.Span, w volume.Wishes) error {
	w = p.completed(span, w)
	w.Accept = func(code disk.Code) bool { p.rests(code); return p.accepts(code) }
	var err error
	if w.Links, err = p.linkedFiles(index); err != nil {
		return err
	}
	even := p.toCylinder(span, w)
	r, err := p.open.resizable[index].Resize(even)
	var refused *volume.Refused
	if errors.As(err, &refused) && even.Room != w.Room {
		// A card on which only an uneven end fits is better than none; it is told.
		r, err = p.open.resizable[index].Resize(w)
	}
	if errors.As(err, &refused) {
		p.refusedVolume(index, span, refused)
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s: %w", where(index), err)
	}
	p.keep(index, span, r)
	return nil
}

// keep takes a planned volume over.
func (p *sizing) keep(index int, span disk.Span, r *volume.Resized) {
	for _, f := range r.Findings {
		p.note(inVolume(f, index, span))
	}
	if !r.Changed() {
		return
	}
	p.out.sized[index] = r
	if r.Sectors == p.open.resizable[index].Size() {
		return
	}
	if p.entryFixed(index) {
		p.refuse(disk.Refusalf(disk.EntryFixed, span.Start, "%s cannot become shorter or longer: %s; plan without a "+
			"change of this volume: --volume %d:keep", where(index), p.whyFixed(index), index))
		return
	}
	p.slackStays(index) // if so, there is no plan
	if index > 0 {
		p.out.ends[index] = span.Start + r.Sectors
	}
}

// refusedVolume takes a refusal over. If the card is too small for the volume
// even at its smallest, the numbers of the whole card are told with it.
func (p *sizing) refusedVolume(index int, span disk.Span, r *volume.Refused) {
	for _, f := range r.Why {
		p.refuse(inVolume(f, index, span))
	}
	for _, f := range r.Need {
		p.ask(inVolume(f, index, span))
	}
	if r.Sectors > 0 && r.Sectors != p.open.resizable[index].Size() {
		p.slackStays(index)
	}
	n := r.Limits.Smallest
	if p.w.Volumes.Default.MoveNone {
		n = r.Limits.SmallestUnmoved
	}
	least, end := span.Start+n, p.roomAfter(span)
	switch {
	case n == 0 || index > 0 && p.ends[index] <= end:
		return
	case least <= end && len(r.Why) == 0:
		least = end // it fits as soon as its owner accepts what is asked
	}
	p.out.least = max(p.out.least, least)
	if index > 0 {
		p.out.ends[index] = least
	}
}

func inVolume(f disk.Finding, index int, span disk.Span) disk.Finding {
	if f.Sector != disk.NoSector {
		f.Sector += span.Start
	}
	f.Text = where(index) + ": " + f.Text
	return f
}
