package capture

import (
	"errors"
	"fmt"
	"io"
	"os"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
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
//
// What is promised of the contents: the image has the size of the drive, and 16
// spans spread over it are compared with their SHA-256. That finds another
// image, or one that was emptied; a few changed sectors only Verify is sure to
// find. Of a damaged record what can be proved is used, and then all of the
// image is compared; the rest counts as unread, and Record.Damage is set.
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
	var damaged *record.FormatError
	if errors.As(err, &damaged) {
		if rec, err = Salvage(f, imagePath); errors.As(err, &damaged) {
			err = fmt.Errorf("%s: %w", recordPath, err)
		}
	}
	if err != nil {
		return nil, err
	}
	rec.suspectWindow()
	img, err := image.Open(imagePath, rec.SectorSize)
	if err != nil {
		return nil, err
	}
	if err = rec.fits(img); err != nil {
		return nil, errors.Join(err, img.Close())
	}
	return &Source{image.NewKnown(img, rec.unknown(), rec.State), img, rec}, nil
}

// Salvage reads a damaged record, and believes of it what the image proves:
// Record.Damage says what is left out. A *record.FormatError if it is no record at all.
// Where it does not tell the size of a sector any more, the digests do:
// they are those of the image with sectors of one size alone.
func Salvage(record io.ReaderAt, imagePath string) (*Record, error) {
	var first *Record
	for _, n := range []int{512, 1024, 2048, 4096} {
		img, err := image.Open(imagePath, n)
		if err != nil {
			return nil, err
		}
		hint := Geometry{Sectors: image.Sectors(img), SectorSize: n, MissingAs: FillPattern}
		rec, err := salvageRecord(io.NewSectionReader(record, 0, 1<<62), hint)
		if err != nil {
			return nil, errors.Join(err, img.Close())
		}
		var proved disk.Sector
		if err = rec.sizeFits(img.Size()); err == nil {
			proved, err = rec.prove(img)
		}
		if err = errors.Join(err, img.Close()); err != nil {
			return nil, err
		}
		if proved > 0 || rec.sized {
			return rec, nil
		}
		if first == nil {
			first = rec
		}
	}
	return first, nil
}

// MismatchError says that an image and a record do not belong together.
type MismatchError struct{ Why string }

func (e *MismatchError) Error() string {
	return "the image and the record do not fit together: " + e.Why
}

// checkedSpans is how many spans are hashed to see whether a record fits: at most
// 16 MiB, so that every command may do it. By hand, no source; verify hashes all.
const checkedSpans = 16

// fits compares the size of the image, and the SHA-256 of a few spans spread
// over it, with what the record says.
func (rec *Record) fits(img image.Source) error {
	if err := rec.sizeFits(img.Size()); err != nil || rec.salvaged { // then all was compared
		return err
	}
	bad, err := rec.changed(img, rec.sample())
	if err == nil && len(bad) > 0 {
		return &MismatchError{fmt.Sprintf("sectors %s of the image are not what was read from the drive", bad[0])}
	}
	return err
}

func (rec *Record) sizeFits(bytes int64) error {
	if want := int64(rec.Sectors) * int64(rec.SectorSize); bytes != want {
		return &MismatchError{fmt.Sprintf("the record is of a drive of %d bytes, the image has %d", want, bytes)}
	}
	return nil
}

// sample picks a few spans, spread over the disk.
func (rec *Record) sample() func(disk.Span) bool {
	all, seen := 0, 0
	for range rec.inForce() {
		all++
	}
	step := max(1, all/checkedSpans)
	return func(disk.Span) bool {
		seen++
		return seen%step == 1%step
	}
}

// unknown returns the sectors that the image does not hold as read.
func (rec *Record) unknown() disk.Spans {
	return rec.states.spans(rec.Whole(), unread, missing, skipped, failed, tight, left, suspect, hung)
}

// State says why a sector is not known. Sectors that only failed as part of a
// larger read are Unread.
func (rec *Record) State(x disk.Sector) image.State {
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
func (rec *Record) Read() disk.Spans { return rec.states.spans(rec.Whole(), good) }

// Missing returns the sectors that were tried alone, and failed.
func (rec *Record) Missing() disk.Spans { return rec.states.spans(rec.Whole(), missing) }

// Skipped returns the sectors that were left out as asked.
func (rec *Record) Skipped() disk.Spans { return rec.states.spans(rec.Whole(), skipped) }

// Unstable returns the sectors that answered differently.
func (rec *Record) Unstable() disk.Spans { return rec.states.spans(rec.Whole(), unstable) }

// Unread returns the sectors that were not tried alone.
func (rec *Record) Unread() disk.Spans {
	return rec.states.spans(rec.Whole(), unread, failed, tight, left, suspect, hung)
}

// Hung returns the unread sectors among which one let a read never return.
func (rec *Record) Hung() disk.Spans { return rec.states.spans(rec.Whole(), hung) }

// Weak returns the known sectors of which a later look failed.
func (rec *Record) Weak() disk.Spans { return rec.weak.spans(rec.Whole(), true) }

// Variants returns the answers of an unstable sector, the one in the image
// first; nil for any other sector, or where there were too many to keep.
func (rec *Record) Variants(x disk.Sector) []record.Variant { return rec.twins[x] }

// Record returns what the record says.
func (s *Source) Record() *Record { return s.rec }

// Close closes the image.
func (s *Source) Close() error { return s.file.Close() }

// File returns the image file itself, missing sectors and all.
func (s *Source) File() *image.File { return s.file }

// storedBy returns the digest of what the image holds in the span of a line.
func storedBy(l *record.Line) (record.Digest, bool) {
	switch {
	case l.Verb == record.VerbGood:
		return l.Digest, true
	case l.Verb == record.VerbUnstable && len(l.Variants) > 0:
		return l.Variants[0].Digest, true
	}
	return record.Digest{}, false
}
