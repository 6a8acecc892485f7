package capture

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"iter"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// Check is what an archived capture looks like today.
type Check struct {
	Damaged   disk.Spans     // spans of which the image no longer holds what was read
	Unchecked disk.Spans     // known sectors that no digest in force covers
	SHA256    record.Digest  // of the image file as it lies
	Promised  *record.Digest // what the record says it should be, if it does
}

// Verify compares every span of the image with the SHA-256 in the record, and
// hashes the whole file. Where Open refuses a pair because one of a few spans
// differs, Verify says which differ.
func (rec *Record) Verify(ctx context.Context, img image.Source) (*Check, error) {
	if err := rec.sizeFits(img.Size()); err != nil {
		return nil, err
	}
	whole, bad, err := rec.hashAndCompare(img, newWhole(nil, img.Size(), rec.SectorSize), ctx.Err)
	if err != nil {
		return nil, err
	}
	return &Check{Damaged: bad, Unchecked: rec.uncovered(), SHA256: whole, Promised: rec.Image}, nil
}

// inForce returns the spans whose digest is that of what the image should hold
// now, in ascending order: all of them is known, and no later line about data
// overrules any part of it.
func (rec *Record) inForce() iter.Seq[stored] {
	return func(yield func(stored) bool) {
		rec.summed.each(rec.Whole(), func(s disk.Span, n int32) bool {
			return !rec.holds(s, n) || yield(rec.sums[n-1])
		})
	}
}

// holds tells whether digest n is in force for the span s.
func (rec *Record) holds(s disk.Span, n int32) bool {
	if n == 0 || rec.sums[n-1].span != s || !rec.checkable(s) {
		return false
	}
	known := true
	rec.states.each(s, func(_ disk.Span, st state) bool {
		known = st.inImage()
		return known
	})
	return known
}

// checkable tells whether a span is no longer than a read can be.
func (rec *Record) checkable(s disk.Span) bool {
	return s.Count <= blockBytes/disk.Sector(rec.SectorSize)
}

// uncovered returns the known sectors of which no digest is in force.
func (rec *Record) uncovered() disk.Spans {
	var out []disk.Span
	rec.summed.each(rec.Whole(), func(s disk.Span, n int32) bool {
		if !rec.holds(s, n) {
			out = append(out, rec.states.spans(s, good, unstable)...)
		}
		return true
	})
	return disk.NewSpans(out...)
}

// changed returns the spans, of those that are picked, in which the image does
// not hold what was read.
func (rec *Record) changed(img io.ReaderAt, pick func(disk.Span) bool) (disk.Spans, error) {
	var bad []disk.Span
	n := int64(rec.SectorSize)
	in := unholed{img: img}
	buf := make([]byte, blockBytes)
	for s := range rec.inForce() {
		if !pick(s.span) {
			continue
		}
		b, err := in.read(buf[:int64(s.span.Count)*n], int64(s.span.Start)*n)
		if err != nil {
			return nil, err
		}
		if digest(b) != s.sum {
			bad = append(bad, s.span)
		}
	}
	return disk.NewSpans(bad...), nil
}

// hashAndCompare hashes an image to its end, in one pass from where begun has
// come to, and returns the spans on the way in which it does not hold what was
// read. goOn is asked before each block.
func (rec *Record) hashAndCompare(img io.ReaderAt, begun *whole, goOn func() error) (sum record.Digest, changed disk.Spans, err error) {
	n, size := int64(rec.SectorSize), begun.size
	next, stop := iter.Pull(rec.inForce())
	defer stop()
	s, more := next()
	for more && int64(s.span.Start)*n < begun.hashed.Load() {
		s, more = next()
	}
	var bad []disk.Span
	in := unholed{img: img}
	var before []byte // the block before: a span may begin in it
	bufs := [2][]byte{make([]byte, blockBytes), make([]byte, blockBytes)}
	for off := begun.hashed.Load(); off < size; off += blockBytes {
		if err := goOn(); err != nil {
			return sum, nil, err
		}
		b, err := in.read(bufs[0][:min(blockBytes, size-off)], off)
		if err != nil {
			return sum, nil, fmt.Errorf("hashing the image: %w", err)
		}
		wait := begun.write(b)
		for more && int64(s.span.End())*n <= off+int64(len(b)) {
			if part(before, b, int64(s.span.Start)*n-off, int64(s.span.Count)*n) != s.sum {
				bad = append(bad, s.span)
			}
			s, more = next()
		}
		wait()
		before = b
		bufs[0], bufs[1] = bufs[1], bufs[0]
	}
	return begun.digest(), disk.NewSpans(bad...), nil
}

// part returns the digest of size bytes from byte at of a block on; where at is
// negative, they begin in the block before.
func part(before, b []byte, at, size int64) record.Digest {
	if at >= 0 {
		return digest(b[at : at+size])
	}
	h := sha256.New()
	h.Write(before[int64(len(before))+at:])
	h.Write(b[:size+at])
	return record.Digest(h.Sum(nil))
}
