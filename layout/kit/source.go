package kit

import (
	"fmt"
	"io"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Kit is an open kit. It is an image.Source of the whole drive in which stored
// and blank sectors are known, and no others: a read that touches another one is
// an *image.UnknownError. It is image.Sparse and image.Partial.
type Kit struct {
	Manifest
	r     io.ReaderAt
	at    []int64 // where a stored span lies in the file, by index
	rules []byte
}

// Rules returns the rule file that the kit carries, or nil.
func (k *Kit) Rules() []byte { return k.rules }

// Size returns the size of the whole drive in bytes.
func (k *Kit) Size() int64 { return int64(k.Sectors) * int64(k.Manifest.SectorSize) }

// SectorSize returns the logical sector size of the drive in bytes.
func (k *Kit) SectorSize() int { return k.Manifest.SectorSize }

// find returns the index of the first span that ends after x.
func (m *Manifest) find(x disk.Sector) int {
	i, _ := slices.BinarySearchFunc(m.Spans, x, func(s Span, x disk.Sector) int {
		if s.End() <= x {
			return -1
		}
		return 1
	})
	return i
}

// known tells whether the bytes of the span are known.
func (s Span) known() bool { return s.State == Stored || s.State == Blank }

// Unknown implements image.Partial.
func (k *Kit) Unknown(w disk.Span) disk.Spans {
	w = w.Common(disk.Span{Count: k.Sectors})
	var known disk.Spans
	for i := k.find(w.Start); i < len(k.Spans) && k.Spans[i].Start < w.End(); i++ {
		if s := k.Spans[i]; s.known() {
			known = known.Add(s.Common(w))
		}
	}
	return known.Outside(w)
}

// why returns why a sector that is not known is not.
func (k *Kit) why(x disk.Sector) image.State {
	if i := k.find(x); i < len(k.Spans) && k.Spans[i].Holds(x) {
		return k.Spans[i].State.unknown()
	}
	return image.NotSent
}

// ReadAt reads from byte off of the drive.
func (k *Kit) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("reading at byte %d: before the start", off)
	}
	if off >= k.Size() {
		return 0, io.EOF
	}
	short := int64(len(p)) > k.Size()-off
	if short {
		p = p[:k.Size()-off]
	}
	n := int64(k.Manifest.SectorSize)
	end := off + int64(len(p))
	asked := disk.Between(disk.Sector(off/n), disk.Sector((end+n-1)/n))
	if hit := k.Unknown(asked); len(hit) > 0 {
		return 0, &image.UnknownError{Span: hit[0], State: k.why(hit[0].Start)}
	}
	for i := k.find(asked.Start); i < len(k.Spans) && int64(k.Spans[i].Start)*n < end; i++ {
		s := k.Spans[i]
		from, to := max(off, int64(s.Start)*n), min(end, int64(s.End())*n)
		if err := k.read(i, p[from-off:to-off], from-int64(s.Start)*n); err != nil {
			return int(from - off), err
		}
	}
	if short {
		return len(p), io.EOF
	}
	return len(p), nil
}

// read reads bytes of one span that is known.
func (k *Kit) read(i int, p []byte, off int64) error {
	if k.Spans[i].State == Blank {
		for j := range p {
			p[j] = k.Spans[i].Fill
		}
		return nil
	}
	return image.ReadFull(k.r, p, k.at[i]+off)
}

// NextData implements image.Sparse: blank sectors of zeros are not stored. What
// is not known counts as stored, so that nobody takes it for zeros.
func (k *Kit) NextData(off int64) (start, end int64) {
	n := int64(k.Manifest.SectorSize)
	off = max(off, 0)
	for i := k.find(disk.Sector(off / n)); off < k.Size(); i++ {
		if i == len(k.Spans) {
			return off, k.Size()
		}
		s := k.Spans[i]
		from, to := int64(s.Start)*n, int64(s.End())*n
		switch {
		case off < from:
			return off, from
		case s.State != Blank || s.Fill != 0:
			return off, to
		}
		off = to
	}
	return k.Size(), k.Size()
}
