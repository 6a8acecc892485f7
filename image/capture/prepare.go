package capture

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// DifferentDriveError says that a capture cannot go on because the drive is
// not the one that it was begun with.
type DifferentDriveError struct {
	Why string
	few bool // of the sectors compared only few differ
}

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
	g := record.Drive{
		Sectors: image.Sectors(e.drive), SectorSize: e.drive.SectorSize(), Identity: e.drive.Identity(),
		MissingAs: e.MissingAs,
	}
	if err := g.Check(); err != nil {
		return nil, err
	}
	p, err := t.open()
	if err != nil {
		return nil, err
	}
	e.img, e.record = p.image, p.record
	if err = e.load(g, p); err != nil {
		return nil, errors.Join(err, p.undo())
	}
	e.j = newJournal(e.img, e.record, g.SectorSize, e.rec.End)
	if e.Hash && !e.OnlyBoot {
		e.j.whole = newWhole(e.img, int64(g.Sectors)*int64(g.SectorSize), g.SectorSize)
	}
	e.rec.GoLive()
	e.start()
	return p.close, nil
}

func (e *engine) load(g record.Drive, p *pair) error {
	size, err := e.img.Size()
	if err != nil {
		return err
	}
	if err := e.readRecord(g, p, size); err != nil {
		return err
	}
	if err := sameGeometry(e.rec.Drive, g); err != nil {
		return err
	}
	if err := e.makeRoom(size, p.Target); err != nil {
		return err
	}
	broken, changed, err := e.notAsRecorded()
	if err != nil {
		return err
	}
	// Up to here, and in the proof, the record and what was read are left as they were: if
	// this is another drive, nothing is lost.
	strange, err := e.firstProof()
	if err != nil {
		return err
	}
	broken = broken.Union(strange)
	if e.rec.Damage != nil {
		if err := e.mend(p); err != nil {
			return err
		}
	}
	// A last line that is torn goes before the next is written behind it.
	if err := e.record.Truncate(e.rec.End.Off); err != nil {
		return err
	}
	if e.lost.Count > 0 {
		return e.lengthen(broken.Union(changed))
	}
	if err := e.rec.Refill(e.img, len(changed) > 0); err != nil {
		return err
	}
	return e.beginRun(broken.Union(changed))
}

// notAsRecorded finds what was read and the image no longer holds: what broke off with the
// end of the record, and what was changed since. All of it is left to be read again.
func (e *engine) notAsRecorded() (broken, changed disk.Spans, err error) {
	if broken, err = e.rec.CheckTail(e.img); err != nil {
		return nil, nil, err
	}
	for _, s := range broken {
		e.rec.States.Set(s, record.Left)
	}
	if changed, err = e.whatChanged(); err != nil {
		return nil, nil, err
	}
	for _, s := range changed {
		e.rec.States.Set(s, record.Left)
	}
	return broken, changed, nil
}

// readRecord begins the record, or reads it, or saves what can be proved of one that
// is damaged. size is that of the image.
func (e *engine) readRecord(g record.Drive, p *pair, size int64) (err error) {
	fresh := p.recordMade
	if !fresh && size == 0 {
		// Cut off while the record was begun: nothing was read.
		if fresh, err = record.IsTornOpening(p.record); err != nil {
			return err
		}
	}
	if fresh {
		err = e.begin(g)
	} else {
		e.rec, err = readFrom(p.record)
	}
	var f *record.LineError
	if errors.As(err, &f) {
		e.rec, err = salvageFor(p, g, size)
	}
	return err
}

// whatChanged looks for traces of somebody having changed the image since the
// drive was read. It looks at a few spans, and at those that tell one drive from
// another; if one of them is not what was read, it looks at all.
func (e *engine) whatChanged() (disk.Spans, error) {
	var prints []anchor
	for _, set := range []disk.Spans{e.rec.Proven(), e.rec.Read()} { // as sameDrive takes them
		p, err := telling(e.rec, e.img, set, e.varied)
		if err != nil {
			return nil, err
		}
		prints = append(prints, p...)
	}
	few := e.rec.Sample()
	bad, err := e.rec.Changed(e.img, func(s disk.Span) bool {
		return few(s) || slices.ContainsFunc(prints, func(a anchor) bool { return s.Holds(a.at) }) ||
			slices.ContainsFunc(e.rec.Latest(), s.Overlaps)
	})
	if err != nil || len(bad) == 0 && e.lost.Count == 0 {
		return nil, err
	}
	bad, err = e.rec.Changed(e.img, func(disk.Span) bool { return true })
	for _, s := range e.rec.Uncovered().Within(e.lost) { // what no digest proves is lost
		bad = bad.Add(s)
	}
	if err == nil && len(bad) > 0 {
		e.opened = append(e.opened, record.ImageChanged(bad))
	}
	return bad, err
}

// lastPass hashes the image from where the hash has come to while it was
// written, and compares what is left, which includes all that earlier runs have
// read, with what the record says.
func (e *engine) lastPass() (record.Digest, disk.Spans, error) {
	rec, err := readFrom(e.record)
	if err != nil {
		return record.Digest{}, nil, fmt.Errorf("the record that was just written: %w", err)
	}
	if e.j.whole == nil {
		e.j.whole = newWhole(e.img, int64(rec.Sectors)*int64(rec.SectorSize), rec.SectorSize)
	}
	return hashAndCompare(rec, e.img, e.j.whole, func() error {
		if now := e.Time.Now(); now.Sub(e.shown) >= time.Second {
			e.shown = now
			e.watch.Progress(e.progress())
		}
		return e.ctx.Err()
	})
}

// forget counts what was changed in the image as unread.
func (e *engine) forget(changed disk.Spans) error {
	e.opened = append(e.opened, record.ImageChanged(changed))
	for _, s := range changed {
		e.note(record.Line{Verb: record.VerbLeft, Span: s})
	}
	e.note(record.Line{Verb: record.VerbStop, Texts: []string{string(ImageChanged)}})
	return e.j.settle()
}

func readFrom(f File) (*record.Record, error) {
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	return record.Read(io.NewSectionReader(f, 0, size))
}

// begin writes the opening of a new record.
func (e *engine) begin(g record.Drive) (err error) {
	var a record.Appender
	if err := e.record.Truncate(0); err != nil {
		return err
	}
	if _, err := e.record.WriteAt(record.Opening(&a, g), 0); err != nil {
		return err
	}
	if err := e.record.Sync(); err != nil {
		return err
	}
	e.rec, err = readFrom(e.record)
	return err
}

// makeRoom gives the image its full size, as one hole, and checks that what is
// still to come will fit.
func (e *engine) makeRoom(size int64, t Target) error {
	want := int64(e.rec.Sectors) * int64(e.rec.SectorSize)
	known := e.rec.States.Spans(e.rec.Whole(), record.Good, record.Unstable).Sectors()
	if size < want && known > 0 {
		e.lost = disk.Between(disk.Sector(size/int64(e.rec.SectorSize)), e.rec.Sectors)
		if err := e.beginsAsRead(size); err != nil {
			return err
		}
	} else if err := e.rec.SizeFits(size); err != nil && known > 0 {
		return err
	}
	e.free, e.lacks = t.Storage.Free, t.Storage.Lacks
	// How much is not free on the drive is known when its directories are read.
	if need, free := e.roomFor(e.rec.Whole()), e.free(); free >= 0 && need > free && !e.OnlyBoot && !e.SkipFree {
		return &SpaceError{need, free}
	}
	if e.lost.Count > 0 {
		e.img = cutImage{e.img, want}
		return nil
	}
	if size == want {
		return nil
	}
	if err := e.img.Truncate(want); err != nil {
		if _, size := e.lacks(err); size {
			return &TargetError{t.Image, fmt.Sprintf("its file system cannot hold a file of %d bytes; choose "+
				"another disk for it", want)}
		}
		return err
	}
	return e.img.Sync()
}

// cutImage is an image that was cut short: zeros lie where it should go on, up to its
// full size, and the file stays as it is.
type cutImage struct {
	File
	size int64
}

// ReadAt implements io.ReaderAt.
func (c cutImage) ReadAt(b []byte, off int64) (int, error) {
	n, err := c.File.ReadAt(b, off)
	if errors.Is(err, io.EOF) && off+int64(len(b)) <= c.size {
		clear(b[n:])
		return len(b), nil
	}
	return n, err
}

// lengthen begins a run with an image that was cut short. It gets its full size when
// the record says what it lost, and not before: until then its size alone tells.
func (e *engine) lengthen(changed disk.Spans) error {
	if err := e.beginRun(changed); err != nil {
		return err
	}
	short := e.img.(cutImage)
	e.img = short.File
	if err := errors.Join(e.rec.Refill(e.img, true), e.img.Sync()); err != nil {
		return err
	}
	return errors.Join(e.img.Truncate(short.size), e.img.Sync())
}

// beginsAsRead is an error if nothing that lies whole in the first bytes of the image is
// what was read: a file that was not cut short, but is another one.
func (e *engine) beginsAsRead(bytes int64) error {
	var whole disk.Sector
	changed, err := e.rec.Changed(e.img, func(s disk.Span) bool {
		in := int64(s.End())*int64(e.rec.SectorSize) <= bytes
		if in {
			whole += s.Count
		}
		return in
	})
	if err == nil && whole > 0 && changed.Sectors() == whole {
		return &record.MismatchError{Why: "nothing in the image is what was read from the drive"}
	}
	return err
}

// sameGeometry is an error if the drive cannot be the one that the record is of.
func sameGeometry(of, g record.Drive) error {
	if of.Sectors != g.Sectors || of.SectorSize != g.SectorSize {
		return &DifferentDriveError{Why: fmt.Sprintf("it had %d sectors of %d bytes, this one has %d of %d",
			of.Sectors, of.SectorSize, g.Sectors, g.SectorSize)}
	}
	was, is := of.Identity, g.Identity
	if was.Trusted() && is.Trusted() && was.Bus == is.Bus && (was.Serial != is.Serial || was.Model != is.Model) {
		return &DifferentDriveError{Why: fmt.Sprintf("it was %q, serial number %q; this one is %q, %q", was.Model, was.Serial,
			is.Model, is.Serial)}
	}
	return nil
}

// beginRun writes the line with which every run begins.
func (e *engine) beginRun(broken disk.Spans) error {
	lines := []record.Line{{Verb: record.VerbRun, Numbers: []int64{int64(e.rec.Runs + 1)}, Time: e.Time.Now()}}
	if e.Program != "" {
		lines = append(lines, e.rec.WrittenBy(e.Program))
	}
	for _, s := range broken {
		lines = append(lines, record.Line{Verb: record.VerbLeft, Span: s})
	}
	for i := range lines {
		off := e.rec.End.Off
		if _, err := e.record.WriteAt(e.rec.End.Line(&lines[i]), off); err != nil {
			return err
		}
		if err := e.rec.Apply(&lines[i]); err != nil {
			return err
		}
	}
	if err := e.img.Sync(); err != nil {
		return err
	}
	off := e.rec.End.Off
	if _, err := e.record.WriteAt(e.rec.End.Line(&record.Line{Verb: record.VerbSync,
		Numbers: []int64{e.rec.End.Lines + 1}}), off); err != nil {
		return err
	}
	return e.record.Sync()
}
