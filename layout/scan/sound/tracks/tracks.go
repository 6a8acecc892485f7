// Package tracks lists the recordings of a disk outside the files of its volumes: the runs
// that package sound finds, put together where package join says that the disk orders
// their pieces, and looked at again as one.
package tracks

import (
	"context"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/join"
)

// Track is one recording, or a piece of one whose rest nothing names. The places of Run
// count from the start of Source: the disk itself, or the pieces one behind the other.
type Track struct {
	sound.Run
	Number int         // from 1, in the order of the disk
	Pieces []disk.Span // where it lies, in its own order
	Joined string      // what says that the pieces belong together; empty: it is one run as it was found
	Asked  bool        // its format is what the owner asked for
	Source image.Source
}

// Lost is a run of missing sectors of the disk in a track.
type Lost struct {
	disk.Span
	Seconds float64 // that are silence for it
	From    float64 // seconds from the start of the track
}

// First is the sector with which the track begins.
func (t *Track) First() disk.Sector { return t.Pieces[0].Start }

// Order is the byte order of the samples as they lie on the disk: words of 16 or 32 bits
// that are turned round turn that of their samples.
func (t *Track) Order() sound.Order {
	f := t.Format
	if f.Width > 1 && int(f.Swap) == f.Width {
		if f.Order == sound.Little {
			return sound.Big
		}
		return sound.Little
	}
	return f.Order
}

// Sectors counts the sectors that the track touches.
func (t *Track) Sectors() (n disk.Sector) {
	for _, p := range t.Pieces {
		n += p.Count
	}
	return n
}

// Lost returns the missing sectors of a track, by their places on the disk.
func (t *Track) Lost() (out []Lost) {
	n := float64(t.Source.SectorSize())
	for _, g := range t.Missing {
		per := 0.0 // seconds of a byte
		if t.Data.Count > 0 {
			per = t.Seconds / float64(t.Data.Count)
		}
		from := max(0, float64(g.Start)*n-float64(t.Data.Start)) * per
		places := []disk.Span{g.Span}
		if j, ok := t.Source.(*join.Source); ok {
			places = j.Places(g.Span)
		}
		for _, p := range places {
			s := g.Seconds * float64(p.Count) / float64(g.Count)
			out = append(out, Lost{p, s, from})
			from += s
		}
	}
	return out
}

// Ask is a format that the owner wants for a run of sectors.
type Ask struct {
	disk.Span
	Format sound.Format
}

// Options are choices of Find.
type Options struct {
	Free     bool  // also look in clusters that no file of a known volume uses
	Ask      []Ask // formats for some sectors; they overlap nowhere
	Progress func(done, total int64)
}

// List is what Find found.
type List struct {
	Tracks []Track
	Tables []join.Table // that put pieces together
	Looked disk.Sector  // sectors that were searched
	Free   disk.Sector  // of these, in clusters that no file uses
}

// Find lists the recordings of a disk. m is the survey of src. An error is that of ctx or
// of a failed read.
func Find(ctx context.Context, src image.Source, m *layout.Map, opt Options) (*List, error) {
	outside := Outside(m)
	where, free := outside, disk.Spans(nil)
	if opt.Free {
		var err error
		if free, err = unused(ctx, src, m); err != nil {
			return nil, err
		}
		where = where.Union(free)
	}
	out := &List{Looked: where.Sectors(), Free: free.Sectors()}
	var asked disk.Spans
	for _, a := range opt.Ask {
		out.Tracks = append(out.Tracks, forced(src, a))
		asked = asked.Union(disk.Spans{a.Span})
	}
	where = without(where, asked)
	f := &search{ctx: ctx, src: src, total: int64(where.Sectors()), progress: opt.Progress}
	runs, err := f.find(src, where)
	if err != nil {
		return nil, err
	}
	found, err := join.Find(ctx, src, spansOf(runs, int64(src.SectorSize())), without(outside, asked))
	if err != nil {
		return nil, err
	}
	if err := f.together(out, found, runs); err != nil {
		return nil, err
	}
	slices.SortStableFunc(out.Tracks, func(a, b Track) int { return int(a.First() - b.First()) })
	for i := range out.Tracks {
		out.Tracks[i].Number = i + 1
	}
	return out, nil
}

// Outside returns the sectors that no known volume owns.
func Outside(m *layout.Map) disk.Spans {
	var known disk.Spans
	for _, v := range m.Volumes {
		known = known.Union(disk.NewSpans(v.Span))
	}
	return known.Outside(disk.Span{Count: m.Sectors})
}

func without(s, less disk.Spans) (out disk.Spans) {
	for _, p := range s {
		for _, q := range less.Outside(p) {
			out = out.Add(q)
		}
	}
	return out
}

// unused returns the clusters of listed volumes that no file uses. Those of directories
// are among them: they are no sound.
func unused(ctx context.Context, src image.Source, m *layout.Map) (disk.Spans, error) {
	var used []disk.Span
	_, err := files.Walk(ctx, src, m, files.Options{}, func(f *files.File) error {
		for _, e := range f.Extents {
			used = append(used, e.Stored)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var data []disk.Span
	for i := range m.Volumes {
		if v := &m.Volumes[i]; v.Listed {
			data = append(data, v.PartsOf(layout.PartData)...)
		}
	}
	return without(disk.NewSpans(data...).Within(image.Whole(src)), disk.SpansFrom(used)), nil
}

// search is one run of Find.
type search struct {
	ctx         context.Context
	src         image.Source
	done, total int64
	progress    func(done, total int64)
}

func (f *search) find(src image.Source, where disk.Spans) ([]sound.Run, error) {
	return sound.Find(f.ctx, src, where, sound.Options{Moved: func(n disk.Sector) {
		f.done += int64(n)
		if f.progress != nil {
			f.progress(min(f.done, f.total), f.total)
		}
	}})
}

// spansOf returns the sectors that runs touch.
func spansOf(runs []sound.Run, n int64) disk.Spans {
	var list []disk.Span
	for i := range runs {
		list = append(list, disk.Between(disk.Sector(runs[i].Start/n), disk.Sector((runs[i].End()+n-1)/n)))
	}
	return disk.SpansFrom(list)
}

// together makes tracks of songs whose pieces are ordered, and of all else as it was found.
func (f *search) together(out *List, found *join.Found, runs []sound.Run) error {
	n := int64(f.src.SectorSize())
	var taken disk.Spans
	for _, s := range found.Songs {
		src := join.NewSource(f.src, s.Pieces)
		inside, err := f.find(src, disk.Spans{image.Whole(src)})
		if err != nil {
			return err
		}
		whole := onePCM(inside)
		if len(whole) == 0 {
			continue // nothing of it is sound when it is read as one: its pieces stay pieces
		}
		by := found.Tables[s.Table].Text()
		for _, r := range whole {
			t := Track{Run: r, Source: src, Pieces: src.Places(spansOf([]sound.Run{r}, n)[0])}
			if len(t.Pieces) > 1 {
				t.Joined = fmt.Sprintf("its %d pieces are named from sector %d, byte %d on: %s", len(t.Pieces), s.At, s.Byte, by)
			} else {
				t.Joined = fmt.Sprintf("where it begins is named at sector %d, byte %d: %s", s.At, s.Byte, by)
			}
			t.Run = r.In(src)
			out.Tracks = append(out.Tracks, t)
		}
		taken = taken.Union(disk.NewSpans(s.Pieces...))
	}
	out.Tables = found.Tables
	return f.rest(out, runs, taken)
}

// rest adds the runs of which no song has taken anything, and what is left of others.
func (f *search) rest(out *List, runs []sound.Run, taken disk.Spans) error {
	n := int64(f.src.SectorSize())
	var left disk.Spans
	for _, r := range runs {
		own := spansOf([]sound.Run{r}, n)
		if taken.First(own[0]).Empty() {
			out.Tracks = append(out.Tracks, Track{Run: r, Source: f.src, Pieces: own})
			continue
		}
		left = left.Union(taken.Outside(own[0]))
	}
	again, err := f.find(f.src, left)
	if err != nil {
		return err
	}
	for _, r := range again {
		out.Tracks = append(out.Tracks, Track{Run: r, Source: f.src, Pieces: spansOf([]sound.Run{r}, n)})
	}
	return nil
}

// onePCM makes one run of the runs of samples of a song: what lies between them is
// silence of it. The longest says how they are read.
func onePCM(runs []sound.Run) []sound.Run {
	var out []sound.Run
	var pcm *sound.Run
	for i := range runs {
		r := runs[i]
		if r.Kind != sound.PCM {
			out = append(out, r)
			continue
		}
		if pcm == nil {
			pcm = &r
			continue
		}
		longer, start, end := pcm, min(pcm.Start, r.Start), max(pcm.End(), r.End())
		if r.Data.Count > pcm.Data.Count {
			longer = &r
		}
		one := *longer
		frame := max(1, one.Format.Frame())
		start = longer.Start - (longer.Start-start)/frame*frame // whole frames
		one.Start, one.Count = start, end-start
		one.Data = sound.Range{Start: start, Count: (end - start) / frame * frame}
		one.Seconds = float64(one.Data.Count) / float64(frame) / float64(max(1, one.Format.Rate))
		one.Evidence = pcm.Evidence + r.Evidence
		pcm = &one
	}
	if pcm != nil {
		out = append(out, *pcm)
	}
	return out
}

// forced is a run as its owner wants it read.
func forced(src image.Source, a Ask) Track {
	n := int64(src.SectorSize())
	r := sound.Run{Start: int64(a.Start) * n, Count: int64(a.Count) * n, Kind: sound.PCM, Format: a.Format,
		Why: "read as you asked for (--as); nothing was decided"}
	frame := a.Format.Frame()
	r.Data = sound.Range{Start: r.Start, Count: r.Count / frame * frame}
	r.Seconds = float64(r.Data.Count) / float64(frame) / float64(a.Format.Rate)
	return Track{Run: r.In(src), Pieces: []disk.Span{a.Span}, Asked: true, Source: src}
}
