package compare

import (
	"bytes"
	"context"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// chunk is how many bytes of each disk are compared at once.
const chunk = 1 << 20

// A sector of which more bytes differ than this is content, not fields.
const (
	maxDiffering = 192  // bytes of 512
	maxSheets    = 8192 // sectors with fields; beyond it everything differs
)

// sheet is one sector of the boot area that differs between the disks, with
// all its versions one below the other.
type sheet struct {
	at   candidate.Place
	data [][]byte // of each disk
	diff []bool   // bytes that differ
	done []bool   // bytes that are explained
	own  []bool   // of a copy: bytes that are not those of the original
	copy bool
}

// sheetsBySector returns sheets by their sectors.
func sheetsBySector(sheets []*sheet) map[candidate.Place]*sheet {
	out := map[candidate.Place]*sheet{}
	for _, s := range sheets {
		out[s.at] = s
	}
	return out
}

// open returns how many bytes differ from lo to hi and are not explained.
func (s *sheet) open(lo, hi int) (n int) {
	for i := max(0, lo); i < min(hi, len(s.diff)); i++ {
		if s.diff[i] && !s.done[i] {
			n++
		}
	}
	return n
}

// explain notes that a rule explains the bytes from lo to hi.
func (s *sheet) explain(lo, hi int) {
	for i := lo; i < hi; i++ {
		s.done[i] = true
	}
}

// reader reads the areas of all disks in step.
type reader struct {
	ctx    context.Context
	dumps  []Dump
	size   int // of a sector
	end    Count
	sheets []*sheet
	out    *Comparison
	moved  func(disk.Sector)
}

// area compares count sectors of every disk, counted from the start or end.
func (r *reader) area(from layout.Anchor, count disk.Sector) error {
	step := disk.Sector(chunk / r.size)
	bufs := make([][]byte, len(r.dumps))
	for i := range bufs {
		bufs[i] = make([]byte, chunk)
	}
	for at := disk.Sector(0); at < count; at += step {
		if err := r.ctx.Err(); err != nil {
			return err
		}
		n := min(step, count-at)
		p := candidate.Place{From: from, Sector: at}
		if from == layout.FromEnd {
			p.Sector = count - at
		}
		if err := r.part(p, n, bufs); err != nil {
			return err
		}
		r.moved(n)
	}
	return nil
}

// part compares one chunk.
func (r *reader) part(p candidate.Place, n disk.Sector, bufs [][]byte) error {
	var gaps disk.Spans // in sectors from p
	for i, d := range r.dumps {
		at := p.At(r.end.Of(image.Sectors(d.Source)))
		for _, u := range image.Unknown(d.Source, disk.Span{Start: at, Count: n}) {
			gaps = gaps.Union(disk.Spans{{Start: u.Start - at, Count: u.Count}})
		}
		clear(bufs[i])
	}
	for _, known := range gaps.Outside(disk.Span{Count: n}) {
		lo, hi := int(known.Start)*r.size, int(known.End())*r.size
		for i, d := range r.dumps {
			at := p.At(r.end.Of(image.Sectors(d.Source))) + known.Start
			if err := image.ReadFull(d.Source, bufs[i][lo:hi], int64(at)*int64(r.size)); err != nil {
				return fmt.Errorf("reading %s of %s: %w", p.After(known.Start), d.Name, err)
			}
		}
		r.known(p, known, bufs)
	}
	for _, u := range gaps {
		r.out.Bytes[NotRead] += int64(u.Count) * int64(r.size)
		r.out.unread = append(r.out.unread, unread{p.After(u.Start), u.Count})
	}
	return nil
}

// known finds the sectors that differ in a stretch that every disk knows.
func (r *reader) known(p candidate.Place, span disk.Span, bufs [][]byte) {
	lo, hi := int(span.Start)*r.size, int(span.End())*r.size
	if r.same(p, bufs, lo, hi) {
		return
	}
	for x := span.Start; x < span.End(); x++ {
		at := int(x) * r.size
		if !r.same(p, bufs, at, at+r.size) {
			r.sector(p.After(x), bufs, at)
		}
	}
}

// same tells whether sectors are the same on all disks, and counts them if they are, and
// those of the tail that hold anything.
func (r *reader) same(p candidate.Place, bufs [][]byte, lo, hi int) bool {
	first := bufs[0][lo:hi]
	if slices.ContainsFunc(bufs[1:], func(b []byte) bool { return !bytes.Equal(b[lo:hi], first) }) {
		return false
	}
	r.out.Bytes[Constant] += int64(hi - lo)
	for ; p.From == layout.FromEnd && len(first) > 0; first = first[r.size:] {
		if _, blank := image.Blank(first[:r.size]); !blank {
			r.out.steady++
		}
	}
	return true
}

// sector makes a sheet of a sector that differs, if it is no content.
func (r *reader) sector(p candidate.Place, bufs [][]byte, at int) {
	diff, ok := r.differing(bufs, at)
	if !ok || len(r.sheets) >= maxSheets {
		r.out.Bytes[Content] += int64(r.size)
		r.out.content = append(r.out.content, p)
		return
	}
	s := &sheet{at: p, diff: diff, done: make([]bool, r.size), own: make([]bool, r.size)}
	for _, b := range bufs {
		s.data = append(s.data, bytes.Clone(b[at:at+r.size]))
	}
	r.sheets = append(r.sheets, s)
}

// differing tells which bytes of a sector differ, and whether they are few enough to be
// fields: most sectors with a difference are content, and show it in their first bytes.
func (r *reader) differing(bufs [][]byte, at int) (diff []bool, few bool) {
	n, most := 0, maxDiffering*r.size/512
	first := bufs[0][at : at+r.size]
	for i, x := range first {
		for _, b := range bufs[1:] {
			if b[at+i] == x {
				continue
			}
			if n++; n > most {
				return nil, false
			}
			if diff == nil {
				diff = make([]bool, r.size)
			}
			diff[i] = true
			break
		}
	}
	return diff, true
}
