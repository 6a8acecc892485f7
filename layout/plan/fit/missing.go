package fit

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume/fat"
)

// twin is a run of source sectors of which the disk holds another copy.
type twin struct {
	disk.Span
	by    disk.Sector // how far away the other copy lies
	name  string
	sound func(sector []byte) bool // tells whether the other copy is one; nil: nobody can tell
}

// answerMissing decides about the sectors that the source does not know: an
// intact twin answers, otherwise they become zeros, which has to be accepted.
// What is made new anyway is not missed.
func (p *planner) answerMissing() error {
	twins := p.twins()
	rendered := disk.Spans(nil)
	for _, at := range p.patches.sorted() {
		rendered = rendered.Add(disk.Span{Start: at, Count: 1})
	}
	var lost, answered []disk.Span
	for _, q := range p.ground() {
		if q.Op == layout.Render {
			copied, err := p.volumeCopies(int(q.From))
			if err != nil {
				return err
			}
			for _, s := range copied {
				lost = append(lost, image.Unknown(p.src, s)...)
			}
		}
		if q.Op != layout.Copy {
			p.pieces = append(p.pieces, q)
			continue
		}
		for _, part := range cutUnknown(q, image.Unknown(p.src, disk.Span{Start: q.From, Count: q.Count})) {
			if part.Op == layout.Copy {
				p.pieces = append(p.pieces, part)
				continue
			}
			for _, got := range p.askTwins(part, twins) {
				p.pieces = append(p.pieces, got)
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
func (p *planner) askTwins(q layout.Piece, twins []twin) []layout.Piece {
	source := disk.Span{Start: q.From, Count: q.Count}
	by := map[disk.Sector]disk.Sector{} // by the first sector of a part
	var got disk.Spans
	var parts []disk.Span
	for _, t := range twins {
		for _, s := range got.Outside(t.Common(source)) {
			for _, known := range p.knownTwin(t, s) {
				parts = append(parts, known)
				by[known.Start] = t.by
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
func (p *planner) knownTwin(t twin, s disk.Span) disk.Spans {
	other := disk.Span{Start: s.Start + t.by, Count: s.Count}
	inside := other.Common(image.Whole(p.src))
	var out disk.Spans
	for _, known := range image.Unknown(p.src, inside).Outside(inside) {
		if t.sound != nil {
			b, err := image.ReadSectors(p.src, disk.Span{Start: t.Start + t.by, Count: 1})
			if err != nil || !t.sound(b) {
				continue
			}
		}
		out = out.Add(disk.Span{Start: known.Start - t.by, Count: known.Count})
	}
	return out
}

// twins lists what FAT volumes hold twice: the tables, where all are kept
// alike, and the boot sectors of FAT32 with their backups. The copies of a
// GUID partition table are made from each other when it is rendered.
func (p *planner) twins() []twin {
	var out []twin
	for _, index := range slices.Sorted(maps.Keys(p.s.FAT)) {
		l, v := p.s.Volume(index), p.s.FAT[index]
		if l == nil {
			continue
		}
		out = append(out, bootTwins(v, l.Start)...)
		for i := range v.BPB.FATs {
			for j := range v.BPB.FATs {
				if i != j && v.Mirrored {
					a, b := v.TableSpan(i), v.TableSpan(j)
					out = append(out, twin{Span: disk.Span{Start: l.Start + a.Start, Count: a.Count}, by: b.Start - a.Start,
						name: fmt.Sprintf("allocation table %d of volume %d", j, index)})
				}
			}
		}
	}
	return out
}

// bootTwins pairs boot sectors 0, 1 and 2 of a FAT32 volume with their backups
// (FG, "FAT32 FSInfo Sector Structure and Backup Boot Sector").
func bootTwins(v *fat.Volume, base disk.Sector) []twin {
	n := disk.Sector(v.BPB.BackupSector)
	if v.Kind != fat.FAT32 || n < 3 || n+3 > disk.Sector(v.BPB.Reserved) {
		return nil
	}
	signed := func(b []byte) bool { return b[510] == 0x55 && b[511] == 0xAA }
	info := func(b []byte) bool { return signed(b) && binary.LittleEndian.Uint32(b) == fat.FSInfoLead }
	var out []twin
	for i, sound := range []func([]byte) bool{signed, info, signed} {
		first := disk.Span{Start: base + disk.Sector(i)*v.PerSector, Count: v.PerSector}
		second := disk.Span{Start: first.Start + n*v.PerSector, Count: v.PerSector}
		out = append(out,
			twin{first, n * v.PerSector, "the backup boot sectors", sound},
			twin{second, -n * v.PerSector, "the first boot sectors", sound})
	}
	return out
}

// noteTwins says which missing sectors came from where, one finding a twin.
func (p *planner) noteTwins(answered disk.Spans, twins []twin) {
	told := map[string]bool{}
	for _, t := range twins {
		if s := answered.Within(t.Span); len(s) > 0 && !told[t.name] && len(p.knownTwin(t, s[0])) > 0 {
			told[t.name] = true
			p.note(disk.Warningf(disk.TwinUsed, s[0].Start, "%s that the source does not know (the first is sector %s) %s taken from %s", sectors(s.Sectors()), grouped(int64(s[0].Start)), isAre(s.Sectors()), t.name))
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
			code = disk.MissingInVolume
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
	for _, s := range slices.Concat(p.s.GPT.FirstPlace(), p.s.SecondPlace()) {
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
		have, err := image.ReadSectors(p.src, disk.Span{Start: at, Count: 1})
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
