package fit

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/volume"
)

// emitVolume hands the pieces of a volume on, with zeros for what the source
// does not know.
func (p *placement) emitVolume(index int, to volume.Sink) error {
	edge := disk.Sector(plan.Edge / p.w.Target.SectorSize)
	span := p.volumeSpan(index)
	open := disk.Between(edge, p.w.Target.Sectors-edge)
	if p.w.Excess == ExcessZero {
		open = disk.Span{}
	}
	err := p.sized[index].Emit(volume.Placed{To: knownOnly{to, p.src}, Card: span.Start, Source: span.Start, Open: open})
	if err != nil {
		return fmt.Errorf("%s: %w", where(index), err)
	}
	return nil
}

// knownOnly turns copies of sectors that the source does not know into zeros.
type knownOnly struct {
	volume.Sink
	src image.Source
}

// Copy implements volume.Sink.
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
func (p *placement) volumeCopies(index int) (disk.Spans, error) {
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
func (p *placement) emptied(index int) disk.Span {
	s := p.sized[index].Emptied
	s.Start += p.volumeSpan(index).Start
	return s
}

// volumeMeaning returns the disk sectors that were interpreted to change a
// volume.
func (p *placement) volumeMeaning(index int) disk.Spans {
	return shifted(p.sized[index].Meaning, p.volumeSpan(index).Start)
}
