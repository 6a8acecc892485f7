package candidate

import (
	"context"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Look looks into the areas, which are in order and do not overlap, at most
// Reach bytes from either end of them; holes are never read, and a sector that
// src does not know is never taken for anything. An error means that src could
// not be read.
//
// entries are those of the table in force: a system area may keep their lengths too.
func Look(ctx context.Context, src image.Source, areas []Area, entries ...layout.Entry) (*Report, error) {
	l := &looker{ctx: ctx, src: src, n: image.Sectors(src), size: src.SectorSize(), entries: entries, out: &Report{}}
	l.areas = bound(areas, l.size)
	var spans []disk.Span
	for i, a := range l.areas {
		if a.Start < 0 || a.End() > l.n || i > 0 && a.Start < l.areas[i-1].End() {
			return nil, fmt.Errorf("the area %s is not inside the disk of %d sectors and behind the one before it", a.Span, l.n)
		}
		spans = append(spans, a.Span)
	}
	l.out.Searched = disk.NewSpans(spans...)
	texts, order := &textFinder{}, &orderFinder{}
	if err := l.first(texts, order); err != nil {
		return nil, err
	}
	l.out.Unknown = l.unknown.Sectors()
	l.out.Strings = texts.result(&l.stats)
	l.structures()
	if len(l.sheets) == 0 {
		return l.out, nil
	}
	if err := l.readNear(); err != nil {
		return nil, err
	}
	for _, find := range []func() error{l.records, l.copies, l.fields, l.checksums} {
		if err := find(); err != nil {
			return nil, err
		}
	}
	l.chains()
	l.orders(order)
	l.out.Structures = shorten(l.out.Structures, maxStructures, &l.out.Left)
	return l.out, nil
}

// Candidates tells whether anything was found that a person may want to see.
func (r *Report) Candidates() bool {
	turned := func(o OrderRegion) bool { return o.Order != image.Plain.String() }
	return len(r.Fields) > 0 || len(r.Copies) > 0 || len(r.Chains) > 0 || len(r.Checksums) > 0 ||
		slices.ContainsFunc(r.Orders, turned)
}
