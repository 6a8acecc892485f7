package link

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/files"
)

// places lists what numbers may name: every run of every file, the tail, what
// begins after blank sectors in a gap or the tail, and boot sectors.
func (s *searcher) places() error {
	found, err := files.Walk(s.ctx, s.src, s.m, files.Options{}, s.addFile)
	if err != nil {
		return err
	}
	_ = found // what is wrong with directories, the survey and the list of files tell
	for _, v := range s.m.Volumes {
		if !v.Listed {
			s.out.NoFiles = append(s.out.NoFiles, v.Index)
		}
		s.add(Place{Span: disk.Span{Start: v.Start, Count: 1}, Kind: Boot,
			Name:   "the boot sector of " + layout.VolumeName(v.Index),
			Volume: v.Index, Guarded: true})
	}
	for _, r := range s.m.Regions {
		if err := s.addRegion(r); err != nil {
			return err
		}
	}
	// One sector may be named once: a file that claims the sectors of another is behind it.
	slices.SortStableFunc(s.list, func(a, b Place) int { return cmp.Compare(a.Start, b.Start) })
	s.list = slices.CompactFunc(s.list, func(a, b Place) bool { return a.Start == b.Start })
	return nil
}

func (s *searcher) add(p Place) {
	if len(s.list) >= maxPlaces {
		s.out.Cut = true
		return
	}
	s.list = append(s.list, p)
}

func (s *searcher) addFile(f *files.File) error {
	v := s.m.Volume(f.Volume)
	name := fmt.Sprintf("%s: %s", layout.VolumeName(f.Volume), f.Path)
	at, isLoader := f.Extents, false
	for i := 0; i < len(at); {
		run := at[i].Stored
		first := at[i]
		for i++; i < len(at) && at[i].Stored.Start == run.End(); i++ {
			run.Count += at[i].Stored.Count
		}
		text := name
		if first.Offset > 0 {
			text = fmt.Sprintf("%s from byte %s on", name, disk.Grouped(first.Offset))
		}
		if first.At%int64(s.size) != 0 {
			continue // it begins inside a sector: no number of a sector names it
		}
		s.add(Place{
			Span: run, Kind: File, Name: text, Volume: f.Volume, Path: f.Path, Offset: first.Offset, Bytes: f.Size,
			Clusters: v.ClusterBytes / int64(s.size), Guarded: f.Guarded,
		})
		isLoader = isLoader || first.Offset == 0
	}
	s.addRoot(f, v.Kind)
	if base := strings.ToLower(f.Path[strings.LastIndexByte(f.Path, '/')+1:]); isLoader && base == "ldlinux.sys" {
		s.syslinux = append(s.syslinux, Holder{Name: name, Spans: spansOf(f)})
	}
	return nil
}

// addRoot keeps a file of the root directory whose name boot code may hold.
func (s *searcher) addRoot(f *files.File, kind string) {
	if !strings.HasPrefix(kind, "fat") || strings.Contains(f.Path, "/") || len(f.Entry) < nameBytes ||
		len(f.Extents) == 0 {
		return
	}
	n := Named{Volume: f.Volume, Path: f.Path}
	for _, span := range spansOf(f) {
		if k := len(n.Runs); k > 0 && n.Runs[k-1].End() == span.Start {
			n.Runs[k-1].Count += span.Count
			continue
		}
		n.Runs = append(n.Runs, span)
	}
	s.roots = append(s.roots, root{Named: n, name: []byte(f.Entry[:nameBytes])})
}

// nameBytes is how long a name in a directory entry is (FAT Specification, DIR_Name).
const nameBytes = 11

// root is a file of the root directory of a volume.
type root struct {
	Named
	name []byte
}

// spansOf returns the sectors of a file in the order of its bytes.
func spansOf(f *files.File) (out []disk.Span) {
	for _, e := range f.Extents {
		out = append(out, e.Stored)
	}
	return out
}

func (s *searcher) addRegion(r layout.Region) error {
	kind := Area
	switch r.Role {
	case layout.RoleTail:
		kind = Tail
		s.add(Place{Span: r.Span, Kind: Tail, Name: "the tail", Volume: -1, Guarded: true})
	case layout.RoleGap, layout.RoleBootCode, layout.RoleReserved, layout.RoleUnknown:
		if s.m.Table == "none" && r.Start > 0 && r.Role == layout.RoleUnknown {
			return nil // a recording, as far as anybody knows
		}
	default:
		return nil
	}
	if r.Content.NonBlank == 0 {
		return nil
	}
	look := disk.Between(max(r.Start, 1), min(r.End(), r.Start+disk.Sector(maxHolder/s.size)))
	n := 0
	return s.runs(look, func(run disk.Span) {
		if n++; n > structures {
			return
		}
		name := fmt.Sprintf("%s, sectors %s on", r.Name, disk.Grouped(run.Start))
		s.add(Place{Span: run, Kind: kind, Name: name, Volume: -1, Guarded: true})
	})
}

// runs calls visit for the runs of sectors of a span that are known and not blank.
func (s *searcher) runs(span disk.Span, visit func(disk.Span)) error {
	var run disk.Span
	end := func() {
		if !run.Empty() {
			visit(run)
		}
		run = disk.Span{}
	}
	for _, known := range image.Unknown(s.src, span).Outside(span) {
		b, err := image.ReadSectors(s.src, known)
		if err != nil {
			return err
		}
		for i := range known.Count {
			x := known.Start + i
			if _, blank := image.Blank(b[int(i)*s.size:][:s.size]); blank {
				end()
				continue
			}
			if run.Empty() {
				run = disk.Span{Start: x}
			}
			run.Count++
		}
		end()
	}
	return nil
}

// searcher is one search.
type searcher struct {
	ctx  context.Context
	src  image.Source
	m    *layout.Map
	size int // bytes of a sector
	out  Found

	list     []Place // ascending by Start
	syslinux []Holder
	roots    []root
	entries  []entry
	units    []*unit
	any      filter // of the numbers of all units
	queue    []work
	seen     disk.Spans    // sectors of holders
	known    map[int64]int // bytes of the disk that a known form explains, and how many
	heads    int
	track    int
	first    map[int32][]byte // the first sector of places, as far as they were asked for
}

// entry is an entry of the table that numbers may be relative to.
type entry struct {
	index   int
	start   disk.Sector
	cluster int64       // sectors; 0 where it has no volume with clusters
	zero    disk.Sector // where cluster 0 would lie
}
