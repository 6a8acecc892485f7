package record

import (
	"crypto/sha256"
	"fmt"
	"io"
	"iter"
	"sync"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// BlockBytes is the largest read, and the grid of all reads: no read, and so
// no line about data, crosses a multiple of it. Measured on a disk of today: direct
// reads of 4 and 8 MiB were no faster, and a larger one that fails costs more.
const BlockBytes = 1 << 20

var zeros [BlockBytes]byte

var sumOfZeros = sync.OnceValue(func() Digest { return sha256.Sum256(zeros[:]) })

// Sum is the SHA-256 of what was read at once. Of a blank block it is known.
func Sum(b []byte) Digest {
	if len(b) == BlockBytes {
		if fill, blank := image.Blank(b); blank && fill == 0 {
			return sumOfZeros()
		}
	}
	return sha256.Sum256(b)
}

// Unholed reads an image in ascending order, but not its holes.
type Unholed struct {
	Img  io.ReaderAt
	next int64 // where the next bytes are stored, or where these begin
	end  int64 // of them
}

// Read returns the bytes at off, in b or not. They are not to be changed.
func (r *Unholed) Read(b []byte, off int64) ([]byte, error) {
	if s, ok := r.Img.(image.Sparse); ok {
		if off >= r.end {
			r.next, r.end = s.NextData(off)
		}
		if off+int64(len(b)) <= r.next && len(b) <= len(zeros) {
			return zeros[:len(b)], nil
		}
	}
	return b, image.ReadFull(r.Img, b, off)
}

// InForce returns the spans whose digest is that of what the image should hold
// now, in ascending order: all of them is known, and no later line about data
// overrules any part of it.
func (rec *Record) InForce() iter.Seq[stored] {
	return func(yield func(stored) bool) {
		rec.summed.Each(rec.Whole(), func(s disk.Span, n int32) bool {
			return !rec.holds(s, n) || yield(rec.sums[n-1])
		})
	}
}

// holds tells whether digest n is in force for the span s.
func (rec *Record) holds(s disk.Span, n int32) bool {
	if n == 0 || rec.sums[n-1].Span != s || !rec.checkable(s) {
		return false
	}
	known := true
	rec.States.Each(s, func(_ disk.Span, st State) bool {
		known = st.InImage()
		return known
	})
	return known
}

// checkable tells whether a span is no longer than a read can be.
func (rec *Record) checkable(s disk.Span) bool {
	return s.Count <= BlockBytes/disk.Sector(rec.SectorSize)
}

// Uncovered returns the known sectors of which no digest is in force.
func (rec *Record) Uncovered() disk.Spans {
	var out []disk.Span
	rec.summed.Each(rec.Whole(), func(s disk.Span, n int32) bool {
		if !rec.holds(s, n) {
			out = append(out, rec.States.Spans(s, Good, Unstable)...)
		}
		return true
	})
	return disk.NewSpans(out...)
}

// Changed returns the spans, of those that are picked, in which the image does
// not hold what was read.
func (rec *Record) Changed(img io.ReaderAt, pick func(disk.Span) bool) (disk.Spans, error) {
	var bad []disk.Span
	n := int64(rec.SectorSize)
	in := Unholed{Img: img}
	buf := make([]byte, BlockBytes)
	for s := range rec.InForce() {
		if !pick(s.Span) {
			continue
		}
		b, err := in.Read(buf[:int64(s.Span.Count)*n], int64(s.Span.Start)*n)
		if err != nil {
			return nil, err
		}
		if Sum(b) != s.Sum {
			bad = append(bad, s.Span)
		}
	}
	return disk.NewSpans(bad...), nil
}

// checkedSpans is how many spans are hashed to see whether a record fits: at most
// 16 MiB, so that every command may do it. By hand, no source; verify hashes all.
const checkedSpans = 16

// Sample picks a few spans, spread over the disk.
func (rec *Record) Sample() func(disk.Span) bool {
	all, seen := 0, 0
	for range rec.InForce() {
		all++
	}
	step := max(1, all/checkedSpans)
	return func(disk.Span) bool {
		seen++
		return seen%step == 1%step
	}
}

// CheckTail compares what was written after the last mark with the image, and
// returns what did not get there: it counts as unread.
func (rec *Record) CheckTail(img io.ReaderAt) (broken disk.Spans, err error) {
	n := int64(rec.SectorSize)
	buf := make([]byte, BlockBytes)
	for _, l := range rec.tail {
		want, ok := rec.stillStored(&l.Line)
		if !ok {
			continue
		}
		if int64(l.Span.Count)*n > BlockBytes {
			return nil, &MismatchError{fmt.Sprintf("a line about %d sectors is longer than any read", l.Span.Count)}
		}
		b := buf[:int64(l.Span.Count)*n]
		if err := image.ReadFull(img, b, int64(l.Span.Start)*n); err != nil {
			return nil, err
		}
		if sha256.Sum256(b) != want {
			broken = broken.Union(disk.NewSpans(l.Span))
		}
	}
	return broken, nil
}

// stillStored returns what the image should hold in the span of a line, unless
// later lines overrule it: they have digests of their own.
func (rec *Record) stillStored(l *Line) (want Digest, ok bool) {
	want, ok = storedBy(l)
	st := Good
	if l.Verb == VerbUnstable {
		st = Unstable
		if v := rec.answers[l.Span.Start]; v != nil {
			want = v[0].Digest
		}
	}
	now := rec.States.Spans(l.Span, st)
	return want, ok && len(now) == 1 && now[0] == l.Span
}

// Refill puts the fill for missing sectors once more where no mark says that
// it is in the image, or everywhere.
func (rec *Record) Refill(img io.WriterAt, everywhere bool) error {
	var where []disk.Span
	for _, l := range rec.tail {
		if l.Span.Count == 1 {
			where = append(where, l.Span)
		}
	}
	if everywhere {
		where = []disk.Span{rec.Whole()}
	}
	b := make([]byte, rec.SectorSize)
	for _, w := range where {
		for _, s := range rec.States.Spans(w, Missing) {
			for x := s.Start; x < s.End(); x++ {
				if rec.MissingAs == FillPattern {
					PutPattern(b, x)
				}
				if _, err := img.WriteAt(b, int64(x)*int64(rec.SectorSize)); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// distrust compares the size of the image, and the SHA-256 of a few spans spread over it,
// with what the record says; where one differs, it compares all, and takes for unread what
// is not as it was read.
func (rec *Record) distrust(img image.Source) (changed disk.Spans, err error) {
	if err := rec.SizeFits(img.Size()); err != nil || rec.salvaged { // then all was compared
		return nil, err
	}
	if changed, err = rec.Changed(img, rec.Sample()); err != nil || len(changed) == 0 {
		return nil, err
	}
	compared := disk.Sector(0)
	changed, err = rec.Changed(img, func(s disk.Span) bool { compared += s.Count; return true })
	if err != nil {
		return nil, err
	}
	if 2*changed.Sectors() > compared {
		return nil, &MismatchError{fmt.Sprintf("sectors %s of the image are not what was read from the drive", changed[0])}
	}
	for _, s := range changed {
		rec.States.Set(s, Left)
	}
	return changed, nil
}

// SizeFits is a *MismatchError if an image of so many bytes is not of the drive.
func (rec *Record) SizeFits(bytes int64) error {
	want := int64(rec.Sectors) * int64(rec.SectorSize)
	how := "was cut short: the same capture goes on with it, and reads again what was lost"
	switch {
	case bytes == want:
		return nil
	case bytes > want:
		how = fmt.Sprintf("has something behind it that is not of the drive: truncate -s %d cuts that off", want)
	}
	return &MismatchError{fmt.Sprintf("the record is of a drive of %d bytes, the image has %d; it %s", want, bytes, how)}
}
