package image

import (
	"errors"
	"io"

	"bootgraft/image/disk"
)

// Window is a run of sectors of another source, seen as a source of its own:
// a partition of a disk.
type Window struct {
	src  Source
	span disk.Span
	off  int64
	size int64
}

// NewWindow returns the sectors of span that src holds; a span that runs past
// the end of src is cut there.
func NewWindow(src Source, span disk.Span) *Window {
	span = span.Common(Whole(src))
	n := int64(src.SectorSize())
	return &Window{src: src, span: span, off: int64(span.Start) * n, size: int64(span.Count) * n}
}

// Span returns where the window lies in the source below it.
func (w *Window) Span() disk.Span { return w.span }

// Size returns the size of the window in bytes.
func (w *Window) Size() int64 { return w.size }

// SectorSize returns the sector size of the source below.
func (w *Window) SectorSize() int { return w.src.SectorSize() }

// ReadAt reads from byte off of the window. An UnknownError names sectors of
// the window.
func (w *Window) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 || off >= w.size {
		return 0, io.EOF
	}
	short := int64(len(p)) > w.size-off
	if short {
		p = p[:w.size-off]
	}
	n, err := w.src.ReadAt(p, w.off+off)
	var unknown *UnknownError
	if errors.As(err, &unknown) {
		inside := *unknown
		inside.Start -= w.span.Start
		return n, &inside
	}
	if err == nil && short {
		err = io.EOF
	}
	return n, err
}

// NextData implements Sparse.
func (w *Window) NextData(off int64) (start, end int64) {
	start, end = NextData(w.src, w.off+min(off, w.size))
	return min(start-w.off, w.size), min(end-w.off, w.size)
}

// Unknown implements Partial, in sectors of the window.
func (w *Window) Unknown(s disk.Span) disk.Spans {
	s = s.Common(disk.Span{Count: w.span.Count})
	found := Unknown(w.src, disk.Span{Start: w.span.Start + s.Start, Count: s.Count})
	out := make(disk.Spans, len(found))
	for i, f := range found {
		out[i] = disk.Span{Start: f.Start - w.span.Start, Count: f.Count}
	}
	return out
}
