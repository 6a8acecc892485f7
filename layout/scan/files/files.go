// Package files lists the files of every volume of a disk in one form,
// whatever the file system: where each lies in sectors of the disk, and its
// bytes. It reads; it never follows a link and never repairs.
package files

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"golang.org/x/text/encoding/charmap"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/ext"
	"bootgraft/layout/volume/fat"
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
	Start int64 `json:"start"`
	Count int64 `json:"count"`
}

// File is one regular file of one volume.
type File struct {
	Volume   int    // index of the entry that holds the volume, 0 = bare
	Path     string // from the root of the volume, with slashes, without one in front
	Size     int64  // bytes
	Modified time.Time
	Extents  []Extent // in file order; what no extent covers is a hole that reads as zeros
	Missing  []Range  // bytes that cannot be had: unknown sectors, or a chain that ends too early
	Fault    error    // why nothing of it can be found, or nil

	content io.ReaderAt
}

// Reader returns the bytes of the file. Reading a missing byte is an error.
func (f *File) Reader() *io.SectionReader { return io.NewSectionReader(f.content, 0, f.Size) }

// Options are choices of Walk.
type Options struct {
	CodePage *charmap.Charmap // of FAT short names; nil is codepage 437
}

// Walk calls visit for every regular file of every FAT and ext volume that
// the survey of src found, volume by volume, in directory order. Findings say
// what is wrong with directories; their sectors are those of the disk. The
// error is that of visit, of ctx, or of a failed read.
func Walk(ctx context.Context, src image.Source, s *scan.Survey, opt Options, visit func(*File) error) ([]disk.Finding, error) {
	var all []disk.Finding
	for _, v := range s.Volumes {
		w := walker{ctx: ctx, src: src, base: v.Start, index: v.Index, visit: visit, unknown: image.Unknown(src, image.Whole(src))}
		var err error
		if f := s.FAT[v.Index]; f != nil {
			err = w.fat(f, opt)
		} else if e := s.Ext[v.Index]; e != nil {
			err = w.ext(e)
		}
		all = append(all, w.findings...)
		if err != nil {
			return all, err
		}
	}
	return all, nil
}

// Volumes returns the indexes of the volumes whose files Walk can list.
func Volumes(s *scan.Survey) []int {
	return slices.Sorted(func(yield func(int) bool) {
		for i := range maps.Keys(s.FAT) {
			if !yield(i) {
				return
			}
		}
		for i := range maps.Keys(s.Ext) {
			if !yield(i) {
				return
			}
		}
	})
}

type walker struct {
	ctx      context.Context
	src      image.Source
	base     disk.Sector // first sector of the volume
	index    int
	visit    func(*File) error
	unknown  disk.Spans // of the whole disk
	findings []disk.Finding
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

func (w *walker) fat(v *fat.Volume, opt Options) error {
	table, err := v.ActiveTable()
	if err != nil {
		w.note([]disk.Finding{disk.Warningf(disk.VolumeNotWalkable, 0, "its files cannot be listed: %v", err).Hiding()})
		return nil
	}
	walk := v.NewWalk(table, fat.WalkOptions{CodePage: opt.CodePage})
	for f := range walk.Files() {
		if err := w.ctx.Err(); err != nil {
			return err
		}
		if f.Dir {
			continue
		}
		out := &File{Volume: w.index, Path: f.Path, Size: f.Size, Modified: f.Raw.Modified(), content: v.Open(f)}
		w.lay(out, f.Extents())
		w.missing(out)
		if err := w.visit(out); err != nil {
			return err
		}
	}
	w.note(table.Findings)
	w.note(walk.Findings)
	return nil
}

// lay places the bytes of a file on its runs of volume sectors, which it fills
// from the first on.
func (w *walker) lay(f *File, runs []disk.Span) {
	n := int64(w.src.SectorSize())
	var at int64
	for _, r := range runs {
		if at >= f.Size {
			return
		}
		count := min(int64(r.Count)*n, f.Size-at)
		w.extent(f, at, count, r, 0)
		at += count
	}
	if at < f.Size {
		f.Missing = append(f.Missing, Range{at, f.Size - at})
	}
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

func (w *walker) ext(v *ext.Volume) error {
	findings, err := v.Walk(func(e ext.File) error {
		if err := w.ctx.Err(); err != nil {
			return err
		}
		if !e.Mode.IsRegular() {
			return nil
		}
		f := &File{Volume: w.index, Path: e.Path, Size: e.Size, Modified: e.Modified, Fault: e.Err, content: v.Open(e)}
		for _, x := range e.Extents {
			if x.Kind == ext.Data {
				w.extent(f, x.FileOffset, x.Bytes, x.Sectors, x.Skip)
			}
		}
		if e.Err == nil {
			w.missing(f)
		} else if e.Size > 0 {
			f.Missing = []Range{{0, e.Size}}
		}
		return w.visit(f)
	})
	w.note(findings)
	var format *disk.FormatError
	if errors.As(err, &format) {
		w.note([]disk.Finding{disk.Warningf(disk.VolumeNotWalkable, 0, "its files cannot be listed: %v", format).Hiding()})
		return nil
	}
	return err
}
