// Package order tells a capture what to read next: it surveys the part of a
// drive that is known so far and names what the survey missed.
//
// The order is by value for somebody who wants the device to start again: the
// sectors that tables are found by, then what lies outside the volumes, then
// allocation tables, directories, and the files in directory order. Of what lies between
// the ends of a disk without volumes samples tell where recordings are.
package order

import (
	"context"
	"slices"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/files"
)

// Advisor is a capture.Advisor that understands tables and volumes. On a disk
// without any it falls back to Ends.
type Advisor struct {
	Ends  capture.Ends // sizes of head and tail, also the most of one gap
	Files bool         // also name files: not wanted where only boot areas are
	Sound bool         // also name samples outside the volumes, and first what sounds

	sounds map[disk.Sector]bool // samples that were judged, by their first sector
}

// Next implements capture.Advisor. Whatever the bytes are it names something
// or nothing.
func (a *Advisor) Next(ctx context.Context, known image.Source) ([]capture.Wish, error) {
	t := &tracer{Source: known}
	s, err := scan.Run(ctx, t, scan.Options{})
	if err != nil {
		return nil, err
	}
	missed := t.take()
	var out []capture.Wish
	add := func(class capture.Class, spans disk.Spans) {
		for _, p := range spans {
			out = append(out, capture.Wish{Span: p, Class: class})
		}
	}
	tables := partsOf(s, layout.PartTable)
	add(capture.Boot, subtract(firstOfEntries(missed, s.Entries), tables))
	if len(out) > 0 {
		return out, nil // what is outside the volumes is known only when these are
	}
	ends, err := a.Ends.Next(ctx, known)
	if err != nil {
		return nil, err
	}
	add(capture.Boot, a.outside(s, ends))
	add(capture.Boot, partsOf(s, layout.PartBoot).Within(image.Whole(known)))
	add(capture.Tables, tables)
	if !a.Files {
		return out, nil
	}
	t.note()
	named, err := fileSpans(ctx, s, t)
	if err != nil {
		return nil, err
	}
	// Directories that were read already are named as well: what they are is
	// part of the picture of a capture that goes on.
	opened := tables // what a volume is opened by is no directory
	for _, v := range s.Volumes {
		opened = opened.Union(v.Meaning)
	}
	add(capture.Directories, subtract(t.noted().Union(t.take()), opened))
	add(capture.Files, named)
	if a.Sound {
		heard, err := a.listen(ctx, s, known)
		if err != nil {
			return nil, err
		}
		out = append(out, heard...)
	}
	return out, nil
}

// firstOfEntries leaves out what was missed of an entry whose first sector is
// among it: that one alone tells mostly what the entry holds, and then what
// else the survey looked for, kind by kind, need not be read at all.
func firstOfEntries(missed disk.Spans, entries []layout.Entry) disk.Spans {
	var later disk.Spans
	for _, e := range entries {
		if e.Count > 1 && !e.Extended && missed.Holds(e.Start) {
			later = later.Add(disk.Between(e.Start+1, e.End()))
		}
	}
	return subtract(missed, later)
}

// outside returns what no volume owns: gaps and the end of the disk, each as
// far as a head or a tail goes.
func (a *Advisor) outside(s *layout.Map, ends []capture.Wish) disk.Spans {
	if s.Table == "none" && len(s.Volumes) == 0 {
		var all disk.Spans
		for _, w := range ends {
			all = all.Union(disk.Spans{w.Span})
		}
		return all
	}
	n := int64(s.SectorSize)
	head := disk.Sector(bytesOr(a.Ends.Head, capture.DefaultHead) / n)
	tail := disk.Sector(bytesOr(a.Ends.Tail, capture.DefaultTail) / n)
	// Where the tail begins is not known before it was read: of whatever lies
	// there, the end of the disk counts.
	end := disk.Between(max(0, s.Sectors-tail), s.Sectors)
	var out disk.Spans
	for _, r := range s.Regions {
		if r.Role == layout.RoleVolume {
			continue
		}
		out = out.Union(disk.NewSpans(r.Common(end)))
		if r.Role != layout.RoleTail && r.Role != layout.RoleUnknown {
			out = out.Union(disk.NewSpans(disk.Span{Start: r.Start, Count: min(r.Count, head)}))
		}
	}
	return out
}

func bytesOr(have, usual int64) int64 {
	if have == 0 {
		return usual
	}
	return max(have, 0)
}

// partsOf returns the disk sectors of all parts of volumes with one role.
func partsOf(m *layout.Map, r layout.PartRole) disk.Spans {
	var out disk.Spans
	for i := range m.Volumes {
		out = out.Union(disk.NewSpans(m.Volumes[i].PartsOf(r)...))
	}
	return out
}

// maxFileSpans bounds what is remembered of a volume with very many pieces;
// what is not named is read all the same, after what is.
const maxFileSpans = 1 << 20

// fileSpans walks the files of every volume. What the walk could not read is
// left in the tracer; where files lie is returned in directory order.
func fileSpans(ctx context.Context, s *layout.Map, t *tracer) ([]disk.Span, error) {
	var out []disk.Span
	_, err := files.Walk(ctx, t, s, files.Options{}, func(f *files.File) error {
		for _, e := range f.Extents {
			if len(out) < maxFileSpans {
				out = append(out, e.Stored)
			}
		}
		return nil
	})
	return slices.Clip(out), err
}

func subtract(s, without disk.Spans) disk.Spans {
	var out disk.Spans
	for _, p := range s {
		out = out.Union(without.Outside(p))
	}
	return out
}
