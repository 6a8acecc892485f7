package scan

import (
	"context"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// Outside is what a look into the sectors outside the volumes found. One disk
// proves nothing: all of it are candidates.
type Outside struct {
	*candidate.Report
	Through  []Through // tables and volumes that another byte order shows
	Findings []disk.Finding
}

// areas returns what lies outside the volumes and outside the tables in
// force, as far as it is in use, to be looked into by package boot.
func areas(s *layout.Map) (out []candidate.Area) {
	reach := disk.Sector(candidate.Reach / s.SectorSize)
	for i, r := range s.Regions {
		c := r.Content
		if r.Role == layout.RoleVolume || r.Role == layout.RoleTable || !c.Looked || c.NonBlank == 0 && c.Unread == 0 {
			continue
		}
		a := candidate.Area{Span: r.Span, From: layout.FromStart}
		if r.Anchor == layout.FromEnd {
			a.From = layout.FromEnd
		}
		if c.Unread == 0 {
			a.Span = disk.Between(c.First, c.Last+1)
		}
		middle := max(s.Sectors/2, s.Sectors-reach)
		if i < len(s.Regions)-1 || a.From == layout.FromEnd || len(s.Entries) > 0 || len(s.Volumes) > 0 || a.End() <= middle {
			out = append(out, a)
			continue
		}
		// No table, and no tail that shows itself: the end may be one still.
		if a.Start < middle {
			out = append(out, candidate.Area{Span: disk.Between(a.Start, middle), From: layout.FromStart})
		}
		out = append(out, candidate.Area{Span: disk.Between(max(a.Start, middle), a.End())})
	}
	return out
}

// inside returns the runs of sectors of partitions in which the survey reads nothing, and
// a number may still be kept: partitions in which nobody recognises a volume, and what a
// FAT volume reserves beside its boot sectors.
func inside(s *layout.Map) disk.Spans {
	var runs, taken disk.Spans
	for _, e := range unrecognised(s) {
		runs = runs.Union(disk.Spans{e.Span.Common(disk.Span{Count: s.Sectors})})
	}
	for _, v := range s.Volumes {
		for _, boot := range v.PartsOf(layout.PartBoot) {
			if strings.HasPrefix(v.Kind, "fat") { // others begin with what the survey reads
				runs = runs.Union(disk.Spans{boot})
			}
		}
		taken = taken.Union(v.Meaning)
	}
	for _, t := range s.Tables {
		taken = taken.Union(t.Own)
	}
	for _, a := range areas(s) {
		taken = taken.Union(disk.Spans{a.Span})
	}
	var out disk.Spans
	for _, r := range runs {
		out = append(out, taken.Outside(r)...)
	}
	return out
}

// unrecognised lists the entries that give sectors to a volume which nobody knows.
func unrecognised(s *layout.Map) (out []layout.Entry) {
	for _, e := range s.Entries {
		if e.HoldsVolume() && s.Volume(e.Index) == nil {
			out = append(out, e)
		}
	}
	return out
}

// LookOutside looks into the sectors outside the volumes, at most candidate.Reach bytes
// from either end of them, and into partitions as Inside lists them. A table or volume that
// shows itself in another byte order becomes a finding too.
func LookOutside(ctx context.Context, src image.Source, s *layout.Map) (*Outside, error) {
	r, err := candidate.Look(ctx, src, areas(s), s.Entries...)
	if err != nil {
		return nil, fmt.Errorf("looking outside the volumes: %w", err)
	}
	inside, err := candidate.LookInside(ctx, src, inside(s), unrecognised(s), s.Entries)
	if err != nil {
		return nil, err
	}
	r.Fields = append(r.Fields, inside...)
	out := &Outside{Report: r}
	if len(s.Volumes) > 0 || len(s.Entries) > 0 {
		return out, nil
	}
	for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
		t, err := through(ctx, src, order)
		if err != nil {
			return nil, fmt.Errorf("looking for a table %s: %w", order, err)
		}
		if t == nil {
			continue
		}
		out.Through = append(out.Through, *t)
		out.Findings = append(out.Findings, t.finding())
	}
	return out, nil
}
