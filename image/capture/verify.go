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
	Merged    bool           // it was made of two captures
	Complete  bool           // nothing is left that a run would read unasked
}

// Verify compares every span of the image with the SHA-256 in the record, and
// hashes the whole file. Where Open refuses a pair because one of a few spans
// differs, Verify says which differ.
func Verify(ctx context.Context, rec *record.Record, img image.Source) (*Check, error) {
	if err := rec.SizeFits(img.Size()); err != nil {
		return nil, err
	}
	whole, bad, err := hashAndCompare(rec, img, newWhole(nil, img.Size(), rec.SectorSize), ctx.Err)
	if err != nil {
		return nil, err
	}
	return &Check{Damaged: bad, Unchecked: rec.Uncovered(), SHA256: whole, Promised: rec.Image,
		Merged: len(rec.From) > 0, Complete: complete(rec)}, nil
}

// hashAndCompare hashes an image to its end, in one pass from where begun has
// come to, and returns the spans on the way in which it does not hold what was
// read. goOn is asked before each block.
func hashAndCompare(
	rec *record.Record, img io.ReaderAt, begun *whole, goOn func() error,
) (sum record.Digest, changed disk.Spans, err error) {
	n, size := int64(rec.SectorSize), begun.size
	next, stop := iter.Pull(rec.InForce())
	defer stop()
	s, more := next()
	for more && int64(s.Span.Start)*n < begun.hashed.Load() {
		s, more = next()
	}
	var bad []disk.Span
	in := record.Unholed{Img: img}
	var before []byte // the block before: a span may begin in it
	bufs := [2][]byte{make([]byte, record.BlockBytes), make([]byte, record.BlockBytes)}
	for off := begun.hashed.Load(); off < size; off += record.BlockBytes {
		if err := goOn(); err != nil {
			return sum, nil, err
		}
		b, err := in.Read(bufs[0][:min(record.BlockBytes, size-off)], off)
		if err != nil {
			return sum, nil, fmt.Errorf("hashing the image: %w", err)
		}
		wait := begun.write(b)
		for more && int64(s.Span.End())*n <= off+int64(len(b)) {
			if part(before, b, int64(s.Span.Start)*n-off, int64(s.Span.Count)*n) != s.Sum {
				bad = append(bad, s.Span)
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
		return record.Sum(b[at : at+size])
	}
	h := sha256.New()
	h.Write(before[int64(len(before))+at:])
	h.Write(b[:size+at])
	return record.Digest(h.Sum(nil))
}
