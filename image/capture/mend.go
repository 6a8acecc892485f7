package capture

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// salvageFor reads the damaged record of a capture that is to go on with a
// drive of geometry g, into an image of so many bytes.
func salvageFor(p *pair, g Geometry, size int64) (*Record, error) {
	n, err := p.record.Size()
	if err != nil {
		return nil, err
	}
	rec, err := salvageRecord(io.NewSectionReader(p.record, 0, n), g)
	var f *record.FormatError
	if errors.As(err, &f) {
		return nil, &TargetError{p.Image, fmt.Sprintf(
			"%s is there and is not the record of a capture (%s); choose another name for the image",
			p.Target.record(), f.Why)}
	}
	if err == nil && size == 0 {
		return nil, &TargetError{p.Image, fmt.Sprintf(
			"%s is there, is not whole, and there is no image that could prove it; "+
				"choose another name for the image",
			p.Target.record())}
	}
	if err == nil {
		err = rec.sizeFits(size)
	}
	if err == nil {
		_, err = rec.prove(p.image)
	}
	return rec, err
}

// mostKept is how many damaged records of one capture are kept beside it: chosen by
// hand, no source; the search for a free name ends there.
const mostKept = 100

// mend puts a whole record, of what could be proved, in the place of the
// damaged one, which is kept beside it.
func (e *engine) mend(p *pair) error {
	name := p.Target.record()
	kept, f, err := createBeside(p.Storage, name+".damaged")
	if err != nil {
		return err
	}
	if err = copyFile(f, p.record); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, p.Storage.Remove(kept))
	}
	by, f, err := createBeside(p.Storage, name+".new")
	if err != nil {
		return err
	}
	e.rec.suspectWindow()
	end, err := e.rec.rewrite(f)
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = p.Storage.Replace(name, by)
	}
	if err != nil {
		return errors.Join(err, p.Storage.Remove(by), f.Close())
	}
	was := p.record
	p.record, e.record = f, f
	e.opened = append(e.opened, e.rec.damageFinding(name, kept))
	// What was salvaged is what the new record says, and is marked.
	e.rec, err = readFrom(f)
	if err == nil && e.rec.end != end {
		err = errors.New("the mended record does not read as it was written")
	}
	return errors.Join(err, was.Close())
}

// Finding says that the record is damaged, nil if it is not.
func (s *Source) Finding() *disk.Finding {
	if s.rec.Damage == nil {
		return nil
	}
	f := s.rec.damageFinding("the record", "")
	return &f
}

func (rec *Record) damageFinding(name, kept string) disk.Finding {
	at := disk.Sector(0)
	if len(rec.Damage.Lost) > 0 {
		at = rec.Damage.Lost[0].Start
	}
	text := fmt.Sprintf(
		"%s is damaged from byte %d on: %d lines could not be proved, %d lines with one wrong byte were put right.",
		name, rec.Damage.Offset, rec.Damage.Lines, rec.Damage.Mended)
	if kept != "" {
		text += fmt.Sprintf(" All that its checksums and the image prove was kept, the rest is read anew. The damaged record lies in %s", kept)
	} else {
		text += " What its checksums and the image do not prove counts as unread. " +
			"Every command compares all of the image with it, which takes as long as reading the image, " +
			"until the same capture command puts the record right and reads these sectors again " +
			"if the drive still answers"
	}
	return disk.Warningf(disk.RecordDamaged, at, "%s. Look after the disk on which it lies", text)
}

// createBeside makes a file of a name that nothing has.
func createBeside(s Storage, name string) (string, File, error) {
	for i := range mostKept {
		try := name
		if i > 0 {
			try += "-" + strconv.Itoa(i+1)
		}
		f, err := s.Create(try)
		if err == nil || !errors.Is(err, fs.ErrExist) {
			return try, f, err
		}
	}
	return "", nil, fmt.Errorf("there are %d files %s already: put them elsewhere", mostKept, name)
}

func copyFile(to io.WriterAt, from File) error {
	size, err := from.Size()
	if err != nil {
		return err
	}
	_, err = io.Copy(io.NewOffsetWriter(to, 0), io.NewSectionReader(from, 0, size))
	return err
}

// mostSuspects is how many spans one line can announce: at most 40 bytes each, so
// that a line stays below record.MaxLine.
const mostSuspects = 1000

// rewrite writes all that is known in as few lines as say it.
func (rec *Record) rewrite(f File) (record.Appender, error) {
	var a record.Appender
	var off int64
	out := opening(&a, rec.Geometry)
	flush := func(least int) error {
		if len(out) < least {
			return nil
		}
		_, err := f.WriteAt(out, off)
		off += int64(len(out))
		out = out[:0]
		return err
	}
	for l := range rec.lines {
		out = append(out, a.Line(&l)...)
		if a.Lines%1000 == 0 {
			out = append(out, a.Line(&record.Line{Verb: record.VerbSync, Numbers: []int64{a.Lines + 1}})...)
		}
		if err := flush(blockBytes); err != nil {
			return a, err
		}
	}
	out = append(out, a.Line(&record.Line{Verb: record.VerbSync, Numbers: []int64{a.Lines + 1}})...)
	return a, flush(1)
}

// lines gives, one by one, the lines of a record that says the same.
func (rec *Record) lines(yield func(record.Line) bool) {
	more := true
	put := func(l record.Line) bool {
		more = more && yield(l)
		return more
	}
	put(record.Line{Verb: record.VerbWords, Texts: []string{"Put together anew from a damaged record."}})
	if s := rec.states.spans(rec.Whole(), suspect); len(s) > 0 {
		put(record.Line{Verb: record.VerbAbout, Spans: s[:min(len(s), mostSuspects)]})
	}
	put(record.Line{Verb: record.VerbRun, Numbers: []int64{int64(max(rec.Runs, 1))}, Time: rec.Started})
	for _, program := range rec.Programs {
		put(record.Line{Verb: record.VerbWrittenBy, Texts: []string{program}})
	}
	for i, name := range rec.From {
		put(record.Line{Verb: record.VerbFrom, Numbers: []int64{int64(i + 1)}, Texts: []string{name}})
	}
	for s := range rec.inForce() {
		if rec.states.get(s.span.Start) == unstable {
			v := rec.twins[s.span.Start]
			if len(v) == 0 { // there were too many to keep
				v = []record.Variant{{Times: 1, Digest: s.sum}}
			}
			put(record.Line{Verb: record.VerbUnstable, Span: s.span, Variants: v})
		} else {
			put(record.Line{Verb: record.VerbGood, Span: s.span, Digest: s.sum})
		}
	}
	for _, st := range []state{missing, skipped, failed, tight, left, hung} {
		for _, s := range rec.states.spans(rec.Whole(), st) {
			put(record.Line{Verb: stateVerbs[st], Span: s, Fault: image.BadSector})
		}
	}
	rec.looks.each(rec.Whole(), func(s disk.Span, n uint8) bool {
		for _, p := range rec.states.spans(s, good, unstable) {
			if n > 1 {
				put(record.Line{Verb: record.VerbAgain, Span: p, Numbers: []int64{int64(n)}})
			}
		}
		return more
	})
	for _, s := range rec.Weak() {
		put(record.Line{Verb: record.VerbWeak, Span: s, Fault: image.BadSector})
	}
	for i := range rec.From {
		for _, s := range rec.Origins(i + 1) {
			put(record.Line{Verb: record.VerbOrigin, Span: s, Numbers: []int64{int64(i + 1)}})
		}
	}
	c := rec.Clock
	put(record.Line{Verb: record.VerbClock, Numbers: []int64{c.Reads, c.Errors, c.Slow.Milliseconds()}})
}

// stateVerbs say that sectors are in a state; those of data have lines of their
// own.
var stateVerbs = map[state]record.Verb{
	missing: record.VerbMissing, skipped: record.VerbSkipped, failed: record.VerbFailed, tight: record.VerbTight, left: record.VerbLeft, hung: record.VerbHung,
}
