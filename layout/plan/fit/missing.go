package fit

import (
	"cmp"
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
func (p *placement) answerMissing(base []segment, made patches) (*answered, said, error) {
	m := &missing{placement: p}
	err := m.answer(base, made)
	return &m.answered, m.said, err
}

// answered is the ground of a card without what the source does not know.
type answered struct {
	laid      []segment
	inVolumes bool // sectors of volumes are zeros on the card
}

// missing is the work of answering.
type missing struct {
	*placement
	said
	answered
}

func (p *missing) answer(ground []segment, made patches) error {
	copies := p.copies()
	rendered := disk.Spans(nil)
	for _, at := range made.sorted() {
		rendered = rendered.Add(disk.Span{Start: at, Count: 1})
	}
	var lost, known []disk.Span
	for _, base := range ground {
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
			for _, got := range p.askCopies(part, copies) {
				p.laid = append(p.laid, segment{Piece: got})
				of := disk.Span{Start: got.Start - q.Start + q.From, Count: got.Count}
				if got.Op == layout.Copy {
					known = append(known, of)
					continue
				}
				for _, s := range rendered.Outside(got.Span) {
					lost = append(lost, disk.Span{Start: s.Start - q.Start + q.From, Count: s.Count})
				}
			}
		}
	}
	p.noteCopies(disk.NewSpans(known...), copies)
	return p.tellLost(disk.NewSpans(lost...))
}

// cutUnknown cuts a piece that copies into known parts and zeros.
func cutUnknown(q layout.Piece, unknown disk.Spans) []layout.Piece {
	var out []layout.Piece
	for _, u := range unknown {
		if n := u.Start - q.From; n > 0 {
			out = append(out, part(q, disk.Span{Count: n}))
			q = advance(q, n)
		}
		out = append(out, layout.Piece{Span: disk.Span{Start: q.Start, Count: u.Count}, Op: layout.Zero,
			Why: layout.WhyMissing, From: q.From})
		q = advance(q, u.Count)
	}
	if !q.Empty() {
		out = append(out, q)
	}
	return out
}

// askCopies cuts a run of missing sectors, which still names in From where they
// would come from, into parts that a copy answers for and zeros.
func (p *given) askCopies(q layout.Piece, copies []volume.Copy) []layout.Piece {
	source := disk.Span{Start: q.From, Count: q.Count}
	by := map[disk.Sector]disk.Sector{} // by the first sector of a part
	var got disk.Spans
	var parts []disk.Span
	for _, t := range copies {
		for _, s := range got.Outside(t.Common(source)) {
			for _, known := range p.knownCopy(t, s) {
				parts = append(parts, known)
				by[known.Start] = t.By
				got = got.Union(disk.Spans{known})
			}
		}
	}
	parts = append(parts, got.Outside(source)...)
	slices.SortFunc(parts, func(a, b disk.Span) int { return cmp.Compare(a.Start, b.Start) })
	var out []layout.Piece
	for _, s := range parts {
		piece := layout.Piece{Span: disk.Span{Start: s.Start - q.From + q.Start, Count: s.Count}, Op: layout.Zero,
			Why: layout.WhyMissing}
		if far, ok := by[s.Start]; ok {
			piece.Op, piece.Why, piece.From = layout.Copy, layout.WhyOtherCopy, s.Start+far
		}
		out = append(out, piece)
	}
	return out
}

// knownCopy returns the sectors of s whose other copy is known and sound.
func (p *given) knownCopy(t volume.Copy, s disk.Span) disk.Spans {
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

// copies lists what volumes hold twice, by disk sectors. The copies of a GUID
// partition table are made from each other when it is rendered.
func (p *given) copies() (out []volume.Copy) {
	for _, index := range slices.Sorted(maps.Keys(p.open.resizable)) {
		for _, t := range p.open.resizable[index].Copies() {
			t.Start += p.s.Volume(index).Start
			t.Name = fmt.Sprintf("%s of volume %d", t.Name, index)
			out = append(out, t)
		}
	}
	return out
}

// noteCopies says which missing sectors came from where, one finding a copy.
func (p *missing) noteCopies(answered disk.Spans, copies []volume.Copy) {
	told := map[string]bool{}
	for _, t := range copies {
		if s := answered.Within(t.Span); len(s) > 0 && !told[t.Name] && len(p.knownCopy(t, s[0])) > 0 {
			told[t.Name] = true
			p.note(disk.Warningf(disk.TwinUsed, s[0].Start,
				"%s that the source does not know (the first is sector %s) %s taken from %s",
				sectors(s.Sectors()), grouped(int64(s[0].Start)), disk.IsAre(s.Sectors()), t.Name))
		}
	}
}

// tellLost asks about sectors that are lost, by what they are for.
func (p *missing) tellLost(lost disk.Spans) error {
	for _, r := range p.s.Regions {
		gone := lost.Within(r.Span)
		if len(gone) == 0 {
			continue
		}
		code := disk.MissingInBootArea
		if r.Role == layout.RoleVolume {
			code, p.inVolumes = disk.MissingInVolume, true
		}
		text, err := p.missingText(r, gone)
		if err != nil {
			return err
		}
		p.ask(disk.Refusalf(code, gone[0].Start,
			"%s of %s %s not known (the first is sector %s), and zeros on the card%s",
			sectors(gone.Sectors()), whole(r), disk.IsAre(gone.Sectors()), grouped(int64(gone[0].Start)), text))
	}
	return nil
}
