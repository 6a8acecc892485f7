package fit

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
)

// answerMissing decides about the sectors that the source does not know: an
// intact copy answers, otherwise they become zeros, which has to be accepted.
// What is made new anyway is not missed.
func (p *planner) answerMissing() error {
	twins := p.twins()
	rendered := disk.Spans(nil)
	for _, at := range p.patches.sorted() {
		rendered = rendered.Add(disk.Span{Start: at, Count: 1})
	}
	var lost, answered []disk.Span
	for _, base := range p.base {
		q := base.Piece
		if base.changes {
			copied, err := p.volumeCopies(base.volume)
			if err != nil {
				return err
			}
			for _, s := range copied {
				lost = append(lost, image.Unknown(p.src, s)...)
			}
		}
		if q.Op != layout.Copy {
			p.laid = append(p.laid, base)
			continue
		}
		for _, part := range cutUnknown(q, image.Unknown(p.src, disk.Span{Start: q.From, Count: q.Count})) {
			if part.Op == layout.Copy {
				p.laid = append(p.laid, segment{Piece: part})
				continue
			}
			for _, got := range p.askTwins(part, twins) {
				p.laid = append(p.laid, segment{Piece: got})
				of := disk.Span{Start: got.Start - q.Start + q.From, Count: got.Count}
				if got.Op == layout.Copy {
					answered = append(answered, of)
					continue
				}
				for _, s := range rendered.Outside(got.Span) {
					lost = append(lost, disk.Span{Start: s.Start - q.Start + q.From, Count: s.Count})
				}
			}
		}
	}
	p.noteTwins(disk.NewSpans(answered...), twins)
	return p.missing(disk.NewSpans(lost...))
}

// cutUnknown cuts a piece that copies into known parts and zeros.
func cutUnknown(q layout.Piece, unknown disk.Spans) []layout.Piece {
	var out []layout.Piece
	for _, u := range unknown {
		if n := u.Start - q.From; n > 0 {
			out = append(out, part(q, disk.Span{Count: n}))
			q = advance(q, n)
		}
		out = append(out, layout.Piece{Span: disk.Span{Start: q.Start, Count: u.Count}, Op: layout.Zero, Why: layout.WhyMissing, From: q.From})
		q = advance(q, u.Count)
	}
	if !q.Empty() {
		out = append(out, q)
	}
	return out
}

// askTwins cuts a run of missing sectors, which still names in From where they
// would come from, into parts that a twin answers for and zeros.
func (p *planner) askTwins(q layout.Piece, twins []volume.Copy) []layout.Piece {
	source := disk.Span{Start: q.From, Count: q.Count}
	by := map[disk.Sector]disk.Sector{} // by the first sector of a part
	var got disk.Spans
	var parts []disk.Span
	for _, t := range twins {
		for _, s := range got.Outside(t.Common(source)) {
			for _, known := range p.knownTwin(t, s) {
				parts = append(parts, known)
				by[known.Start] = t.By
				got = got.Union(disk.Spans{known})
			}
		}
	}
	for _, s := range got.Outside(source) {
		parts = append(parts, s)
	}
	slices.SortFunc(parts, func(a, b disk.Span) int { return int(min(1, max(-1, a.Start-b.Start))) })
	var out []layout.Piece
	for _, s := range parts {
		piece := layout.Piece{Span: disk.Span{Start: s.Start - q.From + q.Start, Count: s.Count}, Op: layout.Zero, Why: layout.WhyMissing}
		if far, ok := by[s.Start]; ok {
			piece.Op, piece.Why, piece.From = layout.Copy, layout.WhyTwin, s.Start+far
		}
		out = append(out, piece)
	}
	return out
}

// knownTwin returns the sectors of s whose other copy is known and sound.
func (p *planner) knownTwin(t volume.Copy, s disk.Span) disk.Spans {
	other := disk.Span{Start: s.Start + t.By, Count: s.Count}
	inside := other.Common(image.Whole(p.src))
	var out disk.Spans
	for _, known := range image.Unknown(p.src, inside).Outside(inside) {
		if t.Sound != nil {
			b, err := image.ReadSector(p.src, t.Start+t.By)
			if err != nil || !t.Sound(b) {
				continue
			}
		}
		out = out.Add(disk.Span{Start: known.Start - t.By, Count: known.Count})
	}
	return out
}

// twins lists what volumes hold twice, by disk sectors. The copies of a GUID
// partition table are made from each other when it is rendered.
func (p *planner) twins() (out []volume.Copy) {
	for _, index := range slices.Sorted(maps.Keys(p.open.fat)) {
		for _, t := range p.open.fat[index].Copies() {
			t.Start += p.s.Volume(index).Start
			t.Name = fmt.Sprintf("%s of volume %d", t.Name, index)
			out = append(out, t)
		}
	}
	return out
}

// noteTwins says which missing sectors came from where, one finding a twin.
func (p *planner) noteTwins(answered disk.Spans, twins []volume.Copy) {
	told := map[string]bool{}
	for _, t := range twins {
		if s := answered.Within(t.Span); len(s) > 0 && !told[t.Name] && len(p.knownTwin(t, s[0])) > 0 {
			told[t.Name] = true
			p.note(disk.Warningf(disk.TwinUsed, s[0].Start, "%s that the source does not know (the first is sector %s) %s taken from %s", sectors(s.Sectors()), grouped(int64(s[0].Start)), isAre(s.Sectors()), t.Name))
		}
	}
}

// missing asks about sectors that are lost, by what they are for.
func (p *planner) missing(lost disk.Spans) error {
	for _, r := range p.s.Regions {
		gone := lost.Within(r.Span)
		if len(gone) == 0 {
			continue
		}
		code := disk.MissingInBootArea
		if r.Role == layout.RoleVolume {
			code, p.missesInVolumes = disk.MissingInVolume, true
		}
		text, err := p.missingText(r, gone)
		if err != nil {
			return err
		}
		p.ask(disk.Refusalf(code, gone[0].Start, "%s of %s %s not known (the first is sector %s), and zeros on the card%s", sectors(gone.Sectors()), r.Name, isAre(gone.Sectors()), grouped(int64(gone[0].Start)), text))
	}
	return nil
}

// tableMissing tells whether a copy of the GUID partition table has sectors
// that the source does not know.
func (p *planner) tableMissing() bool {
	for _, s := range slices.Concat(p.open.gpt.FirstPlace(), p.open.gpt.ShownSecond()) {
		if len(image.Unknown(p.src, s)) > 0 {
			return true
		}
	}
	return false
}

// mendGPT takes the missing sectors of one copy from the other, unless what is
// known of it shows that the two were not alike.
func (p *planner) mendGPT(copy map[disk.Sector][]byte, rank layout.Rank) error {
	missing := map[disk.Sector][]byte{}
	for _, at := range slices.Sorted(maps.Keys(copy)) {
		have, err := image.ReadSector(p.src, at)
		var unknown *image.UnknownError
		switch {
		case errors.As(err, &unknown):
			missing[at] = copy[at]
		case err != nil:
			return err
		case !bytes.Equal(have, copy[at]):
			return nil
		}
	}
	for at, data := range missing {
		if err := p.put(at, data, layout.WhyTwin, rank); err != nil {
			return err
		}
	}
	if at := slices.Sorted(maps.Keys(missing)); len(at) > 0 {
		p.note(disk.Warningf(disk.TwinUsed, at[0], "%s of the GUID partition table that the source does not know (the first is sector %s) %s made from its other copy", sectors(disk.Sector(len(at))), grouped(int64(at[0])), isAre(disk.Sector(len(at)))))
	}
	return nil
}
