package candidate

import (
	"context"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// insideEnds is how many sectors at either end of a partition that nobody recognises
// are looked into, insideMost of how many such runs. A format keeps what it says of
// itself there: by hand, no source.
const (
	insideEnds = 256
	insideMost = 64
)

// LookInside looks for the size of the disk, and for that of entries, where no rule may
// ever change anything: in runs of sectors inside partitions. Of each run its ends are
// read. whole are the entries whose own lengths may be kept there in any unit.
//
// It has a share of Bar for itself. What stands in partitions is of another kind than
// boot areas, so chance is counted with its own bytes.
func LookInside(
	ctx context.Context, src image.Source, runs []disk.Span, whole, entries []layout.Entry,
) ([]layout.Field, error) {
	l := &looker{ctx: ctx, src: src, n: image.Sectors(src), size: src.SectorSize(), out: &Report{}}
	for _, s := range endsOf(runs) {
		l.areas = append(l.areas, Area{Span: s, From: layout.FromStart})
	}
	var kept []nearSector
	if err := l.each(func(x disk.Sector, b []byte) {
		if _, blank := image.Blank(b); blank {
			return
		}
		s := sheet{at: x}
		if s.judge(b); s.look.searchable() {
			l.stats.add(b)
			kept = append(kept, nearSector{at: x, data: append([]byte(nil), b...)})
		}
	}); err != nil {
		return nil, fmt.Errorf("looking into partitions: %w", err)
	}
	all := append(sizePatterns(l.n, l.size, nil, evenly), entryPatterns(entries, l.size, evenly)...)
	for _, e := range whole {
		all = append(all, ownPatterns(e, l.size)...)
	}
	sizes := pick(all, &l.stats, int64(len(kept)*l.size), barInside)
	var found []hit
	for _, s := range kept {
		found = sizes.search(s.at, s.data, found)
	}
	l.addFields(settle(found))
	for i := range l.out.Fields {
		l.out.Fields[i].Inside = true
	}
	return l.out.Fields, nil
}

// endsOf returns the ends of the runs, of the first and the last of them where there
// are many.
func endsOf(runs []disk.Span) disk.Spans {
	if len(runs) > insideMost {
		runs = append(runs[:insideMost/2:insideMost/2], runs[len(runs)-insideMost/2:]...)
	}
	var out []disk.Span
	for _, s := range runs {
		out = append(out, disk.Span{Start: s.Start, Count: min(insideEnds, s.Count)},
			disk.Between(max(s.Start, s.End()-insideEnds), s.End()))
	}
	return disk.NewSpans(out...)
}

// ownPatterns lists what the length of an entry may be written as in the partition
// itself: in all that a disk counts its own size in.
func ownPatterns(e layout.Entry, size int) (out []pattern) {
	for _, q := range quantities(e.Count, size, nil) {
		q.meaning = strings.ReplaceAll(q.meaning, "the disk", fmt.Sprintf("entry %d", e.Index))
		for _, p := range q.write(Binary, evenly) {
			p.entry = e.Index
			out = append(out, p)
		}
	}
	return out
}
