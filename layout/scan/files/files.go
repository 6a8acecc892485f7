// Package files lists the files of every volume of a disk in one form,
// whatever the file system: where each lies in sectors of the disk, and its
// bytes. It reads; it never follows a link and never repairs.
package files

import (
	"context"
	"fmt"
	"io"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume"
)

// Extent is a run of bytes of a file that lie together on the disk.
type Extent struct {
	Offset int64     // byte of the file
	Bytes  int64     // how many
	At     int64     // byte of the disk
	Stored disk.Span // the sectors of the disk that hold them
}

// Range is a run of bytes of a file.
type Range struct {
	Start int64
	Count int64
}

// File is one regular file of one volume.
type File struct {
	Volume   int    // index of the entry that holds the volume, 0 = bare
	Path     string // from the root of the volume, with slashes, without one in front
	Size     int64  // bytes
	Modified time.Time
	Guarded  bool     // hidden, of the system or read-only, where its format marks that
	Entry    string   // the bytes of its directory entry, as in volume.File
	Extents  []Extent // in file order; what no extent covers is a hole that reads as zeros
	Missing  []Range  // bytes that cannot be had: unknown sectors, or a chain that ends too early
	Fault    error    // why nothing of it can be found, or nil

	content io.ReaderAt
}

// Reader returns the bytes of the file. Reading a missing byte is an error.
func (f *File) Reader() *io.SectionReader { return io.NewSectionReader(f.content, 0, f.Size) }

// Options are choices of Walk.
type Options = volume.Options

// Walk calls visit for every regular file of every volume whose files can be
// listed, volume by volume, in directory order. m is the survey of src. Findings
// say what is wrong with directories; their sectors are those of the disk. The
// error is that of visit, of ctx, or of a failed read.
func Walk(ctx context.Context, src image.Source, m *layout.Map, opt Options,
	visit func(*File) error) ([]disk.Finding, error) {
	var all []disk.Finding
	for _, index := range Volumes(m) {
		w := walker{ctx: ctx, src: src, base: m.Volume(index).Start, index: index, visit: visit,
			unknown: image.Unknown(src, image.Whole(src))}
		found, err := w.walk(m, opt)
		w.note(found)
		if w.left > 0 {
			w.note([]disk.Finding{disk.Notef(disk.LinksLeftOut, 0, "names of links, devices and pipes: %s. They are neither "+
				"listed nor copied.", disk.Grouped(w.left))})
		}
		all = append(all, w.findings...)
		if err != nil {
			return all, err
		}
	}
	return all, nil
}

// Volumes returns the indexes of the volumes whose files Walk can list.
func Volumes(m *layout.Map) (out []int) {
	for _, v := range m.Volumes {
		if v.Listed {
			out = append(out, v.Index)
		}
	}
	return out
}

// Warnings are what the survey found wrong with the volumes whose files are listed, and
// volumes that could have files and are not looked into.
// Their files may be other than Walk reads them, such as where a journal was not
// replayed or two tables differ. What Walk has told of a sector is not told again.
func Warnings(m *layout.Map, told []disk.Finding) (out []disk.Finding) {
	for _, f := range m.Findings {
		lies := func(index int) bool { return m.Volume(index).Holds(f.Sector) }
		same := func(t disk.Finding) bool { return t.Code == f.Code && t.Sector == f.Sector }
		about := f.Code == disk.VolumeUnlisted || slices.ContainsFunc(Volumes(m), lies)
		if f.Severity == disk.Warning && about && !slices.ContainsFunc(told, same) {
			out = append(out, f)
		}
	}
	return out
}

type walker struct {
	ctx      context.Context
	src      image.Source
	base     disk.Sector // first sector of the volume
	index    int
	visit    func(*File) error
	unknown  disk.Spans // of the whole disk
	left     int        // names of what is neither a file nor a folder
	findings []disk.Finding
}

func (w *walker) walk(m *layout.Map, opt Options) ([]disk.Finding, error) {
	v, err := scan.Open(w.src, m, w.index)
	if err != nil {
		return volume.NotWalkable(err), nil
	}
	return v.Files(opt, w.file)
}

func (w *walker) note(findings []disk.Finding) {
	for _, f := range findings {
		if f.Sector != disk.NoSector {
			f.Sector += w.base
		}
		f.Text = fmt.Sprintf("volume %d: %s", w.index, f.Text)
		w.findings = append(w.findings, f)
	}
}

// file hands a file on, with its places on the disk.
func (w *walker) file(f *volume.File) error {
	if err := w.ctx.Err(); err != nil || f.Dir {
		return err
	}
	if !f.Regular {
		w.left++
		return nil
	}
	out := &File{Volume: w.index, Path: f.Path, Size: f.Size, Modified: f.Modified, Guarded: f.Guarded, Entry: f.Entry,
		Fault: f.Fault, content: f.Content}
	for _, e := range f.Extents {
		w.extent(out, e.Offset, e.Bytes, e.Sectors, e.Skip)
	}
	switch {
	case f.Fault == nil:
		if f.Short > 0 {
			out.Missing = []Range{{f.Size - f.Short, f.Short}}
		}
		w.missing(out)
	case f.Size > 0:
		out.Missing = []Range{{0, f.Size}}
	}
	return w.visit(out)
}

func (w *walker) extent(f *File, offset, count int64, s disk.Span, skip int) {
	n := int64(w.src.SectorSize())
	s.Start += w.base
	s.Count = disk.Sector((int64(skip) + count + n - 1) / n)
	f.Extents = append(f.Extents, Extent{Offset: offset, Bytes: count, At: int64(s.Start)*n + int64(skip), Stored: s})
}

// missing finds the bytes of a file that lie in sectors not known.
func (w *walker) missing(f *File) {
	if len(w.unknown) == 0 {
		return
	}
	n := int64(w.src.SectorSize())
	var lost []Range
	for _, e := range f.Extents {
		for _, u := range w.unknown.Within(e.Stored) {
			from := max(int64(u.Start)*n-e.At, 0)
			to := min(int64(u.End())*n-e.At, e.Bytes)
			lost = addRange(lost, Range{e.Offset + from, to - from})
		}
	}
	for _, m := range f.Missing {
		lost = addRange(lost, m)
	}
	f.Missing = lost
}

// addRange adds a run of bytes behind others.
func addRange(list []Range, r Range) []Range {
	if k := len(list); k > 0 && list[k-1].Start+list[k-1].Count == r.Start {
		list[k-1].Count += r.Count
		return list
	}
	return append(list, r)
}
