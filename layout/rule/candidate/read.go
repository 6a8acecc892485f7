package candidate

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// looker is one look at one disk.
type looker struct {
	ctx     context.Context
	src     image.Source
	n       disk.Sector // of the disk
	size    int         // of a sector, bytes
	areas   []Area
	entries []layout.Entry
	sheets  []sheet    // sectors in use, in order
	unknown disk.Spans // inside the areas
	stats   stats      // of what is searched for numbers
	out     *Report

	near    []nearSector // where fields usually lie
	farArea int64        // bytes searched that are not near
}

// each reads the sectors of the areas that are stored and known, in order.
// What the source does not know is noted, never read as anything.
func (l *looker) each(visit func(x disk.Sector, b []byte)) error {
	for _, a := range l.areas {
		if err := image.Runs(l.ctx, l.src, a.Span, image.Visitor{
			Unknown: func(s disk.Span) { l.unknown = l.unknown.Add(s) },
			Sector:  visit,
		}); err != nil {
			return err
		}
	}
	return nil
}

// first makes a sheet of every sector in use, and counts the bytes, texts and words in it.
func (l *looker) first(texts *textFinder, order *orderFinder) error {
	rooms := [3][]byte{nil, make([]byte, l.size), make([]byte, l.size)}
	return l.each(func(x disk.Sector, b []byte) {
		if _, blank := image.Blank(b); blank {
			return
		}
		s := sheet{at: x}
		s.judge(b)
		rooms[0] = b
		s.sign(rooms)
		if s.look.searchable() {
			l.stats.add(b)
			texts.look(x, b)
		}
		for i, r := range rooms {
			order.look(x, r, i, s.look.searchable())
		}
		if s.look == lookPacked || s.look == lookSound {
			l.out.Content++
		}
		l.sheets = append(l.sheets, s)
	})
}

// sheetAt returns the sheet of a sector, or nil if it is blank or not known.
func (l *looker) sheetAt(x disk.Sector) *sheet {
	i := sort.Search(len(l.sheets), func(i int) bool { return l.sheets[i].at >= x })
	if i < len(l.sheets) && l.sheets[i].at == x {
		return &l.sheets[i]
	}
	return nil
}

// place says from where a sector is counted.
func (l *looker) place(x disk.Sector, byte int) Place {
	for _, a := range l.areas {
		if a.Holds(x) && a.From == layout.FromEnd {
			return Place{layout.FromEnd, l.n - x, byte}
		}
	}
	return Place{layout.FromStart, x, byte}
}

// sector reads one sector; ok is false if it is not known.
func (l *looker) sector(x disk.Sector) (b []byte, ok bool, err error) {
	b = make([]byte, l.size)
	err = image.ReadFull(l.src, b, int64(x)*int64(l.size))
	var u *image.UnknownError
	if errors.As(err, &u) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("reading sector %d: %w", x, err)
	}
	return b, true, nil
}

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
