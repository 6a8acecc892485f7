package capture

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"

	"bootgraft/image"
	"bootgraft/layout"
)

// Check is what an archived capture looks like today.
type Check struct {
	Damaged   layout.Spans // spans of which the image no longer holds what was read
	Unchecked layout.Spans // known sectors that no digest in force covers
	SHA256    Digest       // of the image file as it lies
	Promised  *Digest      // what the record says it should be, if it does
}

// Verify compares every span of the image with the SHA-256 in the record, and
// hashes the whole file. record is the file that rec was read from. Where Open
// refuses a pair because one of a few spans differs, Verify says which differ.
func (rec *Record) Verify(ctx context.Context, img image.Source, record io.ReaderAt) (*Check, error) {
	if want := int64(rec.Sectors) * int64(rec.SectorSize); img.Size() != want {
		return nil, &MismatchError{fmt.Sprintf("the record is of a drive of %d bytes, the image has %d", want, img.Size())}
	}
	covered := newRuns[bool](rec.Sectors)
	bad, err := checkSpans(img, record, func(l *Line) bool {
		covered.set(l.Span, true)
		return ctx.Err() == nil
	})
	if err != nil {
		return nil, err
	}
	c := &Check{Damaged: bad, Promised: rec.Image}
	for _, k := range rec.states.spans(rec.Whole(), good, unstable) {
		c.Unchecked = append(c.Unchecked, covered.spans(k, false)...)
	}
	c.SHA256, err = hashWhole(ctx, img, img.Size())
	return c, err
}

// hashWhole hashes size bytes. Holes are hashed as the zeros that they are.
func hashWhole(ctx context.Context, r io.ReaderAt, size int64) (d Digest, err error) {
	h := sha256.New()
	buf := make([]byte, blockBytes)
	for off := int64(0); off < size; off += blockBytes {
		if err := ctx.Err(); err != nil {
			return d, err
		}
		b := buf[:min(blockBytes, size-off)]
		if err := image.ReadFull(r, b, off); err != nil {
			return d, fmt.Errorf("hashing the image: %w", err)
		}
		h.Write(b)
	}
	return Digest(h.Sum(nil)), nil
}
