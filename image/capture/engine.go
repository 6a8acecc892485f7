package capture

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// engine is one run.
type engine struct {
	Options
	ctx     context.Context
	drive   Drive
	advisor Advisor
	watch   Observer
	rec     *record.Record
	img     File
	record  File
	opened  []disk.Finding // about image and record, before anything was read
	lost    disk.Span      // what an image that was cut short has lost
	j       *journal
	class   *disk.Values[Class]
	block   disk.Sector // sectors in blockBytes

	free    func() int64 // bytes of room for the image, -1 if not known
	lacks   func(error) (room, size bool)
	asks    chan asked
	answers chan error

	began      time.Time
	bad        int           // failed reads in this run
	got        int64         // bytes of good reads in this run
	unsynced   int64         // bytes since the last mark
	synced     time.Time     //
	compared   time.Time     // the last proof at a mark
	shown      time.Time     // last Progress
	worked     time.Time     // since the last rest
	typical    time.Duration // of reads of late
	skip       disk.Sector   // how far the next failure makes us go
	calm       int64         // bytes read since the last failure
	window     []disk.Span   // what the record says is about to be read
	keepWindow bool          // it is suspect: the drive went in it
	windowAt   time.Time
	windowN    disk.Sector // how much a calm window holds
	ahead      func(disk.Sector) []disk.Span

	quiet     bool        // the last read let wait
	silent    bool        // it hung for a while
	failures  []disk.Span // since the last good read
	nextProbe int
	lastGood  disk.Sector // a sector that was read, or -1
	varied    int         // which sectors are compared: one at which the drive hangs must not be met in every run
	anchors   []anchor    // read before the last proof
	young     *anchor     // read since
	recent    []disk.Span // read since, in order
	why       string      // the drive is another one
	doing     string
	doingNow  Class
	sorted    bool        // the advisor has said all
	pace      []pacePoint // of late
	share     float64     // the largest that was told
	at        disk.Sector
}

type asked struct {
	buf []byte
	off int64
}

// stopped ends a run in good order.
type stopped struct{ why Stop }

func (s *stopped) Error() string { return "stopped: " + string(s.why) }

// Run captures drive into the target, or goes on with a capture that was
// begun. A run that ends early in good order is no error: Result.Stop says
// why, and the same call goes on. nil for advisor means Ends, nil for an
// observer means nobody watches.
func Run(ctx context.Context, d Drive, t Target, o Options, a Advisor, w Observer) (*Result, error) {
	if a == nil {
		a = Ends{}
	}
	if w == nil {
		w = nobody{}
	}
	e := &engine{Options: o.withDefaults(), ctx: ctx, drive: d, advisor: a, watch: w, lastGood: -1}
	// Another choice in each run; a prime, so that it shares no rhythm with the number
	// of sectors that are chosen from.
	e.varied = int(e.Time.Now().UnixMilli() % 1021)
	e.asks, e.answers = make(chan asked), make(chan error, 1)
	go e.reader()
	defer close(e.asks)
	closeFiles, err := e.prepare(t)
	if err != nil {
		return nil, err
	}
	err = e.all()
	if err == nil || isStop(err) {
		err = e.lastProof(err)
	}
	return e.finish(err, closeFiles)
}

// reader is the only goroutine that touches the drive. If a read never returns
// it is left behind.
func (e *engine) reader() {
	for q := range e.asks {
		n, err := e.drive.ReadAt(q.buf, q.off)
		if n < len(q.buf) && err == nil {
			err = fmt.Errorf("%d of %d bytes", n, len(q.buf))
		} else if n == len(q.buf) {
			err = nil
		}
		e.answers <- err
	}
}

func (e *engine) start() {
	e.began = e.Time.Now()
	e.synced, e.shown, e.worked, e.windowAt, e.compared = e.began, e.began, e.began, e.began, e.began
	e.block = disk.Sector(record.BlockBytes / e.rec.SectorSize)
	e.class = disk.NewValues[Class](e.rec.Sectors)
	e.skip, e.windowN, e.nextProbe = e.block, 4*e.block, probeAfter
	for _, s := range e.First {
		e.class.Set(s, Boot)
	}
	e.want()
	for _, k := range e.Skip {
		for _, s := range e.rec.States.Spans(k, record.Unread, record.Failed, record.Tight, record.Left, record.Suspect) {
			e.note(record.Line{Verb: record.VerbSkipped, Span: s})
		}
	}
}

// want takes back what an earlier run skipped and this one should not.
func (e *engine) want() {
	if e.SkipFree {
		return
	}
	skip := disk.NewSpans(e.Skip...)
	for _, s := range e.rec.Skipped() {
		for _, p := range skip.Outside(s) {
			e.note(record.Line{Verb: record.VerbWanted, Span: p})
		}
	}
}

// note takes a line in and hands it to the journal.
func (e *engine) note(l record.Line) {
	if err := e.rec.Apply(&l); err != nil {
		panic("capture: a line of our own is not right: " + err.Error())
	}
	e.j.note(l)
}

// lastProof compares the drive once more at the end of a run, where it answers:
// what was read since the last time is not left in doubt.
func (e *engine) lastProof(why error) error {
	var s *stopped
	if errors.As(why, &s) && (s.why == DriveGone || s.why == DriveHangs || s.why == DriveChanged) {
		return why
	}
	if len(e.rec.Fresh()) == 0 {
		return why
	}
	if _, err := e.prove(); err != nil {
		return err
	}
	return why
}

// finish writes why the run ended, and returns what came of it.
func (e *engine) finish(err error, closeFiles func() error) (*Result, error) {
	var s *stopped
	if errors.As(err, &s) {
		err = nil
	} else if err == nil {
		s = &stopped{Done}
	}
	if err == nil {
		err = e.settle(s)
	}
	findings := slices.Concat(e.opened, e.rec.Told, e.findings())
	// After the last line and before the files are closed: its goroutine writes to both.
	if jerr := e.j.close(); err == nil {
		err = jerr
	}
	findings = append(findings, e.j.same.findings(e.block)...)
	if room, _ := e.lacks(err); room {
		s, err = &stopped{NoSpace}, nil
	}
	if cerr := closeFiles(); err == nil {
		err = cerr
	}
	if err != nil {
		return nil, err
	}
	r := e.result(s.why)
	r.Why = e.why
	r.Findings = findings
	e.watch.Progress(e.progress())
	return r, nil
}

// settle makes durable what the run has come to.
func (e *engine) settle(s *stopped) error {
	if s.why != DriveHangs && !e.keepWindow {
		e.note(record.Line{Verb: record.VerbAnswered})
	}
	e.noteClock()
	word := string(s.why)
	if s.why == Done {
		word = "done"
	}
	e.note(record.Line{Verb: record.VerbStop, Texts: []string{word}})
	if err := e.j.settle(); err != nil || s.why != Done || !e.Hash || !complete(e.rec) {
		return err
	}
	e.doing, e.at = "hashing the image file", -1
	e.watch.Progress(e.progress())
	d, changed, err := e.lastPass()
	switch {
	case e.ctx.Err() != nil:
		s.why = Interrupted
		return nil
	case err != nil:
		return err
	case len(changed) > 0:
		s.why = ImageChanged
		return e.forget(changed)
	}
	size := int64(e.rec.Sectors) * int64(e.rec.SectorSize)
	e.note(record.Line{Verb: record.VerbEnd, Digest: d, Numbers: []int64{size}})
	return e.j.settle()
}

// complete tells whether nothing is left that the same drive could give unasked:
// before that, the digest of the image would be that of a passing state.
func complete(rec *record.Record) bool {
	return len(rec.States.Spans(rec.Whole(), record.Unread, record.Failed, record.Tight, record.Left,
		record.Suspect)) == 0
}

func (e *engine) noteClock() {
	c := e.rec.Clock
	e.note(record.Line{Verb: record.VerbClock, Numbers: []int64{c.Reads, c.Errors, c.Slow.Milliseconds()}})
}

func (e *engine) result(why Stop) *Result {
	r := &Result{
		Stop: why, Sectors: e.rec.Sectors,
		Missing: e.rec.Missing(), Unread: e.rec.Unread(), Skipped: e.rec.Skipped(),
		Unstable: e.rec.Unstable(), Hung: e.rec.Hung(),
		SHA256: e.rec.Image, Clock: e.rec.Clock, Classes: e.tallies(),
	}
	r.Read = e.rec.Read().Sectors() + r.Unstable.Sectors()
	return r
}

func (e *engine) tallies() map[Class]Tally {
	out := map[Class]Tally{}
	e.class.Each(e.rec.Whole(), func(s disk.Span, c Class) bool {
		t := out[c]
		e.rec.States.Each(s, func(p disk.Span, st record.State) bool {
			t.Total += p.Count
			switch {
			case st.InImage():
				t.Safe += p.Count
			case st == record.Missing:
				t.Lost += p.Count
			case st == record.Skipped:
				t.Skipped += p.Count
			}
			return true
		})
		out[c] = t
		return true
	})
	return out
}

// known is what has been read so far, for the advisor.
func (e *engine) known() (image.Source, error) {
	if err := e.j.flush(); err != nil {
		return nil, err
	}
	src := fileSource{e.img, int64(e.rec.Sectors) * int64(e.rec.SectorSize), e.rec.SectorSize}
	return image.NewKnown(src, e.rec.Unknown(), e.rec.State), nil
}

type fileSource struct {
	File
	size       int64
	sectorSize int
}

func (f fileSource) Size() int64     { return f.size }
func (f fileSource) SectorSize() int { return f.sectorSize }
