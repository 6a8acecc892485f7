package gather

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
)

// reader cuts areas into runs that are stored, blank or not known.
type reader struct {
	Ctx    context.Context
	Src    image.Source
	Absent map[kit.State]disk.Spans // why sectors are not known
	Remove disk.Spans               // what the owner takes out

	spans    []kit.Span
	farInUse disk.Sector // sectors in use that are too far from the ends
}

// shortBlank is the longest blank run, in sectors, that is stored with its
// neighbours: 8 KiB, which the ZIP packs to nearly nothing. By hand, no source.
const shortBlank = 16

// area reads one area.
func (r *reader) area(a Area) error {
	for _, s := range r.Remove.Within(a.Span) {
		r.put(a, s, kit.Removed, 0)
	}
	for _, left := range r.Remove.Outside(a.Span) {
		if err := image.Runs(r.Ctx, r.Src, left, image.Visitor{
			Hole:    func(s disk.Span) { r.put(a, s, kit.Blank, 0) },
			Unknown: func(s disk.Span) { r.unknown(a, s) },
			Sector: func(x disk.Sector, b []byte) {
				state, fill := kit.Stored, byte(0)
				if f, blank := image.Blank(b); blank {
					state, fill = kit.Blank, f
				}
				r.put(a, disk.Span{Start: x, Count: 1}, state, fill)
			},
		}); err != nil {
			return err
		}
	}
	return nil
}

// unknown says why sectors are not known.
func (r *reader) unknown(a Area, u disk.Span) {
	rest := disk.Spans{u}
	for _, state := range []kit.State{kit.Missing, kit.Removed} {
		var left disk.Spans
		for _, s := range rest {
			for _, hit := range r.Absent[state].Within(s) {
				r.put(a, hit, state, 0)
			}
			left = append(left, r.Absent[state].Outside(s)...)
		}
		rest = left
	}
	for _, s := range rest {
		r.put(a, s, kit.Unread, 0)
	}
}

// put adds a run, to the one before it if it goes on.
func (r *reader) put(a Area, s disk.Span, state kit.State, fill byte) {
	if a.far && state != kit.Blank {
		if state == kit.Stored {
			r.farInUse += s.Count
		}
		return
	}
	r.spans = appendRun(r.spans, kit.Span{Span: s, From: a.from, What: a.what, State: state, Fill: fill}, shortBlank)
}

// appendRun adds a run to a list. A blank run of at most short sectors between two
// that are stored is stored with them.
func appendRun(list []kit.Span, s kit.Span, short disk.Sector) []kit.Span {
	n := len(list)
	switch {
	case n > 0 && goesOn(list[n-1], s) && list[n-1].State == s.State && list[n-1].Fill == s.Fill:
		list[n-1].Count += s.Count
		return list
	case n > 1 && s.State == kit.Stored && list[n-1].State == kit.Blank && list[n-1].Count <= short &&
		goesOn(list[n-1], s) &&
		list[n-2].State == kit.Stored && goesOn(list[n-2], list[n-1]):
		list[n-2].Count += list[n-1].Count + s.Count
		return list[:n-1]
	}
	return append(list, s)
}

// goesOn tells whether b follows a in the same area.
func goesOn(a, b kit.Span) bool {
	return a.End() == b.Start && a.From == b.From && a.What == b.What
}

// result returns the runs in order, and no more of them than a kit may have:
// longer blank runs are stored too if there are too many.
func (r *reader) result() ([]kit.Span, error) {
	spans := r.spans
	slices.SortFunc(spans, func(a, b kit.Span) int { return cmp.Compare(a.Start, b.Start) })
	for short := disk.Sector(shortBlank); len(spans) > kit.MaxSpans; short *= 4 {
		if short > 1<<30 {
			return nil, &RefusedError{fmt.Sprintf(
				"the boot areas lie in %s runs that are not known, and a kit has at most %s. "+
					"Take some of them out with --blank SPAN",
				disk.Grouped(len(spans)), disk.Grouped(kit.MaxSpans))}
		}
		var fewer []kit.Span
		for _, s := range spans {
			fewer = appendRun(fewer, s, short)
		}
		spans = fewer
	}
	return spans, nil
}
