package safety

import (
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/receipt"
)

// phases divides what is written to a card by when: by rank, and so that both
// ends stay blank until all data is proved. Sectors not touched are in none.
//
//	0  data outside both ends
//	1  second copies, and the data of the last 1 MiB
//	2  first copies, and the data of the first 1 MiB
//	3  the sector in which the mark lies until then, and sector 0
func phases(drive plan.Size, pieces []layout.Piece) [4]disk.Spans {
	edge := min(disk.Sector(plan.Edge/drive.SectorSize), drive.Sectors)
	tail := max(edge, drive.Sectors-edge)
	mark := receipt.MarkSector(drive)
	zones := []struct {
		disk.Span
		least layout.Rank
	}{
		{disk.Between(0, 1), layout.RankSector0},
		{disk.Between(1, mark.Start), layout.RankFirst},
		{mark, layout.RankSector0},
		{disk.Between(mark.End(), edge), layout.RankFirst},
		{disk.Between(edge, tail), layout.RankData},
		{disk.Between(tail, drive.Sectors), layout.RankCopy},
	}
	var out [4]disk.Spans
	for _, p := range pieces {
		if p.Op == layout.Leave {
			continue
		}
		for _, z := range zones {
			rank := max(p.Rank, z.least)
			if p.Rank == layout.RankCopy && z.least == layout.RankFirst {
				rank = layout.RankCopy // a second copy near the start still comes first
			}
			if z.least != layout.RankSector0 {
				rank = min(rank, layout.RankFirst)
			}
			out[rank] = out[rank].Add(p.Common(z.Span))
		}
	}
	return out
}

// fenceSpans returns what is blanked before anything else is written: both
// ends, the table places of the plan and those of what the card holds now.
// Sectors that the plan does not touch stay out.
func fenceSpans(drive plan.Size, pieces []layout.Piece, tables disk.Spans) disk.Spans {
	edge := min(disk.Sector(plan.Edge/drive.SectorSize), drive.Sectors)
	fence := tables.Union(disk.NewSpans(disk.Span{Count: edge}, disk.Between(drive.Sectors-edge, drive.Sectors)))
	p := phases(drive, pieces)
	for _, spans := range p[1:] {
		fence = fence.Union(spans)
	}
	return common(fence, written(pieces))
}

// written returns the sectors that a plan does touch.
func written(pieces []layout.Piece) disk.Spans {
	var out disk.Spans
	for _, p := range pieces {
		if p.Op != layout.Leave {
			out = out.Add(p.Span)
		}
	}
	return out
}

// common returns the sectors that are in both sets.
func common(a, b disk.Spans) disk.Spans {
	var out disk.Spans
	for _, s := range a {
		for _, c := range b.Within(s) {
			out = out.Add(c)
		}
	}
	return out
}

// cut divides a span so that each part lies in the set or outside it.
func cut(s disk.Span, set disk.Spans) []disk.Span {
	var out []disk.Span
	at := s.Start
	for _, in := range set.Within(s) {
		if in.Start > at {
			out = append(out, disk.Between(at, in.Start))
		}
		out, at = append(out, in), in.End()
	}
	if at < s.End() {
		out = append(out, disk.Between(at, s.End()))
	}
	return out
}

// without takes spans out of a set.
func without(set disk.Spans, out ...disk.Span) disk.Spans {
	for _, o := range out {
		var rest disk.Spans
		for _, s := range set {
			for _, part := range disk.NewSpans(o).Outside(s) {
				rest = rest.Add(part)
			}
		}
		set = rest
	}
	return set
}

// earlySectors picks sectors of what is written first, to be looked at again
// when everything else was written: 64 within the first 64 MiB, by hand, no source. A
// card whose addresses begin again at its real size has written over these.
func earlySectors(data disk.Spans, size int) disk.Spans {
	const picks, within = 64, 64 << 20
	left := min(data.Sectors(), disk.Sector(within/size))
	step := max(1, left/picks)
	var out disk.Spans
	var passed disk.Sector
	for _, s := range data {
		for at := (step - passed%step) % step; at < s.Count && passed+at < left; at += step {
			out = out.Add(disk.Span{Start: s.Start + at, Count: 1})
		}
		if passed += s.Count; passed >= left {
			break
		}
	}
	return out
}

// sourceBytes is how many bytes a set of sectors has.
func sourceBytes(s disk.Spans, src image.Source) int64 {
	return int64(s.Sectors()) * int64(src.SectorSize())
}
