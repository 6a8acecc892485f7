package capture

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"

	"bootgraft/image"
	"bootgraft/layout"
)

// Source is a capture as something to read: the image, in which only the
// sectors are known that the record says were read. It is image.Sparse and
// image.Partial; a read that touches another sector is an *image.UnknownError
// of state Missing, Unread or Skipped. An unstable sector reads as the answer
// that came most often.
type Source struct {
	*image.Known
	file *image.File
	rec  *Record
}

// Open opens a capture. record may be empty for the record beside the image.
// Files that do not fit together are a *MismatchError.
func Open(imagePath, recordPath string) (*Source, error) {
	if recordPath == "" {
		recordPath = imagePath + RecordSuffix
	}
	f, err := os.Open(recordPath)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	rec, err := ReadRecord(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", recordPath, err)
	}
	rec.suspectWindow()
	img, err := image.Open(imagePath, rec.SectorSize)
	if err != nil {
		return nil, err
	}
	if err = rec.fits(img, f); err != nil {
		return nil, errors.Join(err, img.Close())
	}
	return &Source{image.NewKnown(img, rec.unknown(), rec.State), img, rec}, nil
}

// MismatchError says that an image and a record do not belong together.
type MismatchError struct{ Why string }

func (e *MismatchError) Error() string {
	return "the image and the record do not fit together: " + e.Why
}

// checkedSpans is how many spans are hashed to see whether a record fits.
const checkedSpans = 16

// fits compares the size of the image, and the SHA-256 of a few spans spread
// over it, with what the record says.
func (rec *Record) fits(img image.Source, record io.ReaderAt) error {
	if want := int64(rec.Sectors) * int64(rec.SectorSize); img.Size() != want {
		return &MismatchError{fmt.Sprintf("the record is of a drive of %d bytes, the image has %d", want, img.Size())}
	}
	step, seen := max(1, rec.Lines/checkedSpans), int64(0)
	bad, err := checkSpans(img, record, func(l *Line) bool {
		seen++
		return seen%step == 1%step
	})
	if err == nil && len(bad) > 0 {
		return &MismatchError{fmt.Sprintf("sectors %s of the image are not what was read from the drive", bad[0])}
	}
	return err
}

// unknown returns the sectors that the image does not hold as read.
func (rec *Record) unknown() layout.Spans {
	return rec.states.spans(rec.Whole(), unread, missing, skipped, failed, tight, left, suspect, hung)
}

// State says why a sector is not known. Sectors that only failed as part of a
// larger read are Unread.
func (rec *Record) State(x layout.Sector) image.State {
	switch rec.states.get(x) {
	case missing:
		return image.Missing
	case skipped:
		return image.Skipped
	}
	return image.Unread
}

// Read returns the sectors that were read. With those of Missing, Unread,
// Skipped and Unstable they are the whole disk.
func (rec *Record) Read() layout.Spans { return rec.states.spans(rec.Whole(), good) }

// Missing returns the sectors that were tried alone, and failed.
func (rec *Record) Missing() layout.Spans { return rec.states.spans(rec.Whole(), missing) }

// Skipped returns the sectors that were left out as asked.
func (rec *Record) Skipped() layout.Spans { return rec.states.spans(rec.Whole(), skipped) }

// Unstable returns the sectors that answered differently.
func (rec *Record) Unstable() layout.Spans { return rec.states.spans(rec.Whole(), unstable) }

// Unread returns the sectors that were not tried alone.
func (rec *Record) Unread() layout.Spans {
	return rec.states.spans(rec.Whole(), unread, failed, tight, left, suspect, hung)
}

// Hung returns the unread sectors among which one let a read never return.
func (rec *Record) Hung() layout.Spans { return rec.states.spans(rec.Whole(), hung) }

// Weak returns the known sectors of which a later look failed.
func (rec *Record) Weak() layout.Spans { return rec.weak.spans(rec.Whole(), true) }

// Variants returns the answers of an unstable sector, the one in the image
// first; nil for any other sector, or where there were too many to keep.
func (rec *Record) Variants(x layout.Sector) []Variant { return rec.twins[x] }

// Record returns what the record says.
func (s *Source) Record() *Record { return s.rec }

// Close closes the image.
func (s *Source) Close() error { return s.file.Close() }

// File returns the image file itself, missing sectors and all.
func (s *Source) File() *image.File { return s.file }

// checkSpans hashes spans of the image and returns those that are not what the
// record says was read. A line counts only if no later line about data
// overrules any part of it, and if pick says so.
func checkSpans(img image.Source, record io.ReaderAt, pick func(*Line) bool) (layout.Spans, error) {
	last, err := lastLines(record)
	if err != nil {
		return nil, err
	}
	var bad layout.Spans
	var number int64
	buf := make([]byte, blockBytes)
	err = eachLine(record, func(l *Line) error {
		number++
		want, ok := l.stored()
		if !ok {
			return nil
		}
		whole := true
		last.each(l.Span, func(_ layout.Span, n int64) bool {
			whole = n == number
			return whole
		})
		n := int64(img.SectorSize())
		if bytes := int64(l.Span.Count) * n; !whole || bytes > int64(len(buf)) || !pick(l) {
			return nil
		}
		b := buf[:int64(l.Span.Count)*n]
		if err := image.ReadFull(img, b, int64(l.Span.Start)*n); err != nil {
			return err
		}
		if sha256.Sum256(b) != want {
			bad = bad.Union(layout.NewSpans(l.Span))
		}
		return nil
	})
	return bad, err
}

// stored returns the digest of what the image holds in the span of a line.
func (l *Line) stored() (Digest, bool) {
	switch l.Verb {
	case VerbGood:
		return l.Digest, true
	case VerbUnstable:
		return l.Variants[0].Digest, true
	}
	return Digest{}, false
}

// lastLines gives every sector the number of the last line that says what its
// data are.
func lastLines(record io.ReaderAt) (*runs[int64], error) {
	var last *runs[int64]
	var number int64
	err := eachLine(record, func(l *Line) error {
		number++
		if l.Verb == VerbDisk {
			last = newRuns[int64](layout.Sector(l.Numbers[0]))
		}
		if _, ok := l.stored(); ok && last != nil {
			last.set(l.Span, number)
		}
		return nil
	})
	return last, err
}

func eachLine(record io.ReaderAt, f func(*Line) error) error {
	s := NewScanner(io.NewSectionReader(record, 0, 1<<62))
	for {
		l, err := s.Next()
		if err == io.EOF {
			return nil
		}
		if err == nil {
			err = f(&l)
		}
		if err != nil {
			return err
		}
	}
}
