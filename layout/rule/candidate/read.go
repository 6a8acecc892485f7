package candidate

import (
	"context"
	"errors"
	"fmt"
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
