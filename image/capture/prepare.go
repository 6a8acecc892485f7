package capture

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"bootgraft/image"
	"bootgraft/layout"
)

// DifferentDriveError says that a capture cannot go on because the drive is
// not the one that it was begun with.
type DifferentDriveError struct{ Why string }

func (e *DifferentDriveError) Error() string {
	return "this is not the drive that the capture was begun with: " + e.Why
}

// SpaceError says that the image would not fit. Nothing was read.
type SpaceError struct{ Need, Free int64 }

func (e *SpaceError) Error() string {
	return fmt.Sprintf("the image needs %d bytes more and there are %d: choose another disk for it", e.Need, e.Free)
}

// prepare opens the two files and makes sure that they and the drive belong
// together. Before it returns, nothing was read but the sectors that tell one
// drive from another.
func (e *engine) prepare(t Target) (closeFiles func() error, err error) {
	g := Geometry{image.Sectors(e.drive), e.drive.SectorSize(), e.drive.Identity(), e.MissingAs}
	if err := g.check(); err != nil {
		return nil, err
	}
	record, img, fresh, err := t.openBoth()
	if err != nil {
		return nil, err
	}
	e.img = img
	closeFiles = func() error { return errors.Join(img.Close(), record.Close()) }
	if err = e.load(g, record, fresh, t); err != nil {
		err = errors.Join(err, closeFiles())
		if fresh { // nothing was read: leave nothing behind
			err = errors.Join(err, t.Storage.Remove(t.Image), t.Storage.Remove(t.record()))
		}
		return nil, err
	}
	e.j = newJournal(img, record, g.SectorSize, e.rec.end)
	e.rec.live, e.rec.tail = true, nil
	e.start()
	return closeFiles, nil
}

func (e *engine) load(g Geometry, record File, fresh bool, t Target) error {
	size, err := e.img.Size()
	if err != nil {
		return err
	}
	if !fresh {
		e.rec, err = readFrom(record)
		var f *FormatError
		if errors.As(err, &f) && size == 0 && f.Offset < openingMost {
			fresh = true // cut off while the record was begun: nothing was read
		} else if err != nil {
			return fmt.Errorf("%s: %w", t.record(), err)
		}
	}
	if fresh {
		if err := e.begin(g, record); err != nil {
			return err
		}
	}
	if err := e.rec.sameGeometry(g); err != nil {
		return err
	}
	if err := e.makeRoom(size, t); err != nil {
		return err
	}
	if err := record.Truncate(e.rec.end.off); err != nil {
		return err
	}
	broken, err := e.rec.checkTail(e.img)
	if err != nil {
		return err
	}
	strange, err := e.firstProof()
	if err != nil {
		return err
	}
	broken = broken.Union(strange)
	if err := e.rec.refill(e.img); err != nil {
		return err
	}
	return e.beginRun(record, broken)
}

// openingMost is more than the opening of a record takes, in bytes.
const openingMost = 8 << 10

func readFrom(f File) (*Record, error) {
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	return ReadRecord(io.NewSectionReader(f, 0, size))
}

// begin writes the opening of a new record.
func (e *engine) begin(g Geometry, record File) (err error) {
	var a appender
	if err := record.Truncate(0); err != nil {
		return err
	}
	if _, err := record.WriteAt(a.opening(g), 0); err != nil {
		return err
	}
	if err := record.Sync(); err != nil {
		return err
	}
	e.rec, err = readFrom(record)
	return err
}

// makeRoom gives the image its full size, as one hole, and checks that what is
// still to come will fit.
func (e *engine) makeRoom(size int64, t Target) error {
	want := int64(e.rec.Sectors) * int64(e.rec.SectorSize)
	known := e.rec.states.spans(e.rec.Whole(), good, unstable).Sectors()
	if size != want && known > 0 {
		return &MismatchError{fmt.Sprintf("the record is of a drive of %d bytes, the image has %d", want, size)}
	}
	e.free = t.Storage.Free
	// How much is not free on the drive is known when its directories are read.
	if need, free := e.roomFor(e.rec.Whole()), e.free(); free >= 0 && need > free && !e.OnlyBoot && !e.SkipFree {
		return &SpaceError{need, free}
	}
	if size == want {
		return nil
	}
	if err := e.img.Truncate(want); err != nil {
		if isTooLarge(err) {
			return &TargetError{t.Image, fmt.Sprintf("its file system cannot hold a file of %d bytes; choose another disk for it", want)}
		}
		return err
	}
	return e.img.Sync()
}

// checkTail compares what was written after the last mark with the image, and
// returns what did not get there: it counts as unread.
func (rec *Record) checkTail(img io.ReaderAt) (broken layout.Spans, err error) {
	n := int64(rec.SectorSize)
	buf := make([]byte, blockBytes)
	for _, l := range rec.tail {
		want, ok := rec.stillStored(&l.Line)
		if !ok {
			continue
		}
		if int64(l.Span.Count)*n > blockBytes {
			return nil, &MismatchError{fmt.Sprintf("a line about %d sectors is longer than any read", l.Span.Count)}
		}
		b := buf[:int64(l.Span.Count)*n]
		if err := image.ReadFull(img, b, int64(l.Span.Start)*n); err != nil {
			return nil, err
		}
		if sha256.Sum256(b) != want {
			broken = broken.Union(layout.NewSpans(l.Span))
		}
	}
	return broken, nil
}

// stillStored returns what the image should hold in the span of a line, unless
// later lines overrule it: they have digests of their own.
func (rec *Record) stillStored(l *Line) (want Digest, ok bool) {
	want, ok = l.stored()
	st := good
	if l.Verb == VerbUnstable {
		st = unstable
		if v := rec.twins[l.Span.Start]; v != nil {
			want = v[0].Digest
		}
	}
	now := rec.states.spans(l.Span, st)
	return want, ok && len(now) == 1 && now[0] == l.Span
}

// refill puts the fill for missing sectors once more where no mark says that
// it is in the image.
func (rec *Record) refill(img io.WriterAt) error {
	if rec.MissingAs != FillPattern {
		return nil
	}
	b := make([]byte, rec.SectorSize)
	for _, l := range rec.tail {
		if l.Span.Count != 1 || rec.states.get(l.Span.Start) != missing {
			continue
		}
		putPattern(b, l.Span.Start)
		if _, err := img.WriteAt(b, int64(l.Span.Start)*int64(rec.SectorSize)); err != nil {
			return err
		}
	}
	return nil
}

func (rec *Record) sameGeometry(g Geometry) error {
	if rec.Sectors != g.Sectors || rec.SectorSize != g.SectorSize {
		return &DifferentDriveError{fmt.Sprintf("it had %d sectors of %d bytes, this one has %d of %d",
			rec.Sectors, rec.SectorSize, g.Sectors, g.SectorSize)}
	}
	was, is := rec.Identity, g.Identity
	if was.Trusted() && is.Trusted() && was.Bus == is.Bus && (was.Serial != is.Serial || was.Model != is.Model) {
		return &DifferentDriveError{fmt.Sprintf("it was %q, serial number %q; this one is %q, %q", was.Model, was.Serial, is.Model, is.Serial)}
	}
	return nil
}

// beginRun writes the line with which every run begins.
func (e *engine) beginRun(record File, broken layout.Spans) error {
	lines := []Line{{Verb: VerbRun, Numbers: []int64{int64(e.rec.Runs + 1)}, Time: e.Time.Now()}}
	for _, s := range broken {
		lines = append(lines, Line{Verb: VerbLeft, Span: s})
	}
	for i := range lines {
		off := e.rec.end.off
		if _, err := record.WriteAt(e.rec.end.line(&lines[i]), off); err != nil {
			return err
		}
		if err := e.rec.apply(&lines[i]); err != nil {
			return err
		}
	}
	if err := e.img.Sync(); err != nil {
		return err
	}
	off := e.rec.end.off
	if _, err := record.WriteAt(e.rec.end.line(&Line{Verb: VerbSync, Numbers: []int64{e.rec.end.lines + 1}}), off); err != nil {
		return err
	}
	return record.Sync()
}
