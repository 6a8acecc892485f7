package capture

import (
	"errors"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// Where nothing else is said a bound is chosen by hand, no source: nobody has
// measured enough dying drives to know a better one.
const (
	// silentAfter is when the record says which read it is that does not answer: long
	// for a read of 1 MiB that goes well, short for a person who thinks of the plug.
	silentAfter = 500 * time.Millisecond

	// probeAfter is how many failures in a row make us ask whether the drive is still
	// there; then twice as many, up to probeMost, for the question is a read too.
	probeAfter = 8
	probeMost  = 64
	// nothingAfter is how many failures before anything was read mean that the drive is
	// as good as gone: there is no sector yet that could be asked again.
	nothingAfter = 64

	// What a power cut may cost: the reads since the last mark, by bytes and by time.
	// What the last mark does not cover is compared with the image, not read again.
	syncBytes = 64 << 20
	syncEvery = 5 * time.Second
	// proveEvery is when the drive is compared with what was read of it, or after
	// syncBytes: another one in the same bridge is found that soon.
	proveEvery = 30 * time.Second

	// A read is slow if it takes slowAfter, and slowTimes as long as usual. Both, for an
	// old drive is slow at all times, and ten times a fast read is no trouble.
	slowAfter = time.Second
	slowTimes = 10

	// graceAfter is how long a read may take to return when the owner stops: what it
	// brings is kept, and nobody waits longer for a prompt.
	graceAfter = 3 * time.Second

	// maxSkip bounds how far failures in a row make us go, in blocks: 64 MiB. Farther,
	// one bad spot would put off more than is likely to be hit.
	maxSkip = disk.Sector(64)
	// maxWindow bounds what is announced at once, in blocks: what a fast drive reads in
	// the second that one announcement is to last, 64 MiB.
	maxWindow = disk.Sector(64)
	// fewSingles is how many single sectors near a bad spot share an announcement, and
	// so are in doubt together if the drive hangs: 4 KiB in sectors of 512 bytes.
	fewSingles = disk.Sector(8)
	// mostSpans is how many spans one announcement names: its line stays far below
	// record.MaxLine, for a span takes at most 40 bytes.
	mostSpans = 32
	// calmBytes is what must be read well before a failure counts as a new spot, and
	// not as the same one again.
	calmBytes = 8 * int64(record.BlockBytes)
)

// outcome is what came of one read.
type outcome int

const (
	gotIt outcome = iota
	gotSlowly
	failedIt
)

// try reads one span, once, and records what came of it. The error is a
// *stopped, or one of the journal.
func (e *engine) try(s disk.Span) (outcome, error) {
	if err := e.mayGoOn(); err != nil {
		return 0, err
	}
	// Durable before the read: if it takes the machine down, the next run knows where.
	if err := e.announce(s); err != nil {
		return 0, err
	}
	buf := e.j.buffer()
	took, err := e.ask(s, buf)
	if err == nil && took > e.HangAfter && !e.silent {
		err = e.wokeUp()
	}
	if err != nil {
		e.j.free <- buf
		return failedIt, e.fail(s, took, err)
	}
	slow := e.isSlow(took)
	e.succeed(s, took, slow)
	if !slow {
		e.anchorIn(s, buf)
	}
	l := record.Line{Verb: record.VerbGood, Span: s}
	if err := e.rec.Apply(&l); err != nil {
		return 0, err
	}
	e.recent = append(e.recent, s)
	e.j.keep(l, buf, slices.Contains([]Class{Tables, Directories, Files}, e.class.Get(s.Start)))
	e.unsynced += int64(s.Count) * int64(e.rec.SectorSize)
	if slow {
		e.watch.Event(Event{Kind: EventSlow, Span: s, Took: took})
		return gotSlowly, nil
	}
	return gotIt, nil
}

// ask hands a read to the reader and waits. A read that the owner does not
// want to wait for any longer is left behind; the error is a *stopped then.
func (e *engine) ask(s disk.Span, buf []byte) (took time.Duration, err error) {
	n := int64(e.rec.SectorSize)
	t0 := e.Time.Now()
	e.asks <- asked{buf[:int64(s.Count)*n], int64(s.Start) * n}
	e.rec.Reads++
	e.at = s.Start
	hang, stop := e.Time.Timer(e.HangAfter)
	defer stop()
	quiet, stop := e.Time.Timer(silentAfter)
	defer stop()
	var grace <-chan time.Time
	done := e.ctx.Done()
	e.silent, e.quiet = false, false
	for {
		select {
		case err := <-e.answers:
			took = e.Time.Now().Sub(t0)
			if e.silent {
				e.watch.Event(Event{Kind: EventAnswered, Span: s, Took: took})
			}
			return took, err
		case <-quiet:
			e.quiet, quiet = true, nil
			if err := e.waits(s); err != nil {
				return 0, err
			}
		case <-hang:
			e.silent, hang = true, nil
			if err := e.hangs(s); err != nil {
				return 0, err
			}
		case <-done:
			done = nil
			c, stop := e.Time.Timer(graceAfter)
			defer stop()
			grace = c
		case <-grace:
			if !e.quiet {
				if err := e.waits(s); err != nil {
					return 0, err
				}
			}
			return 0, &stopped{DriveHangs}
		}
	}
}

// wokeUp is called after a read in which more time has passed than the timer
// saw: the machine was suspended, and the drive without power. It may be
// another one by now.
func (e *engine) wokeUp() error {
	e.note(record.Line{Verb: record.VerbGone, Fault: image.Gone})
	return e.judge()
}

// waits records durably which read it is that the drive does not answer. If the
// run is stopped now, by whatever means, the next one knows the sectors. A drive
// that was not yet compared with the record is not worth a line.
func (e *engine) waits(s disk.Span) error {
	if e.j == nil {
		return nil
	}
	e.window = []disk.Span{s}
	l := record.Line{Verb: record.VerbSilent, Span: s}
	return errors.Join(e.rec.Apply(&l), e.j.promise(l))
}

// hangs records durably that a read does not return. If it does return after
// all, later lines overrule this one.
func (e *engine) hangs(s disk.Span) error {
	if e.j == nil {
		e.watch.Event(Event{Kind: EventHang, Span: s, Took: e.HangAfter})
		return nil
	}
	if known := e.rec.States.Spans(s, record.Good, record.Unstable); len(known) == 0 {
		l := record.Line{Verb: record.VerbHung, Span: s}
		if s.Count == 1 {
			e.fillMissing(s)
		}
		if err := errors.Join(e.rec.Apply(&l), e.j.promise(l)); err != nil {
			return err
		}
	}
	e.watch.Event(Event{Kind: EventHang, Span: s, Took: e.HangAfter})
	return nil
}

func (e *engine) isSlow(took time.Duration) bool {
	slow := took > slowAfter && took > slowTimes*e.typical
	e.typical += (took - e.typical) / 8 // an average over about eight reads: by hand, no source
	return slow
}

func (e *engine) succeed(s disk.Span, took time.Duration, slow bool) {
	n := int64(s.Count) * int64(e.rec.SectorSize)
	e.got += n
	e.calm += n
	if e.calm >= calmBytes {
		e.skip = e.block
	}
	if slow {
		e.rec.Slow += took
	}
	e.failures, e.nextProbe, e.lastGood = e.failures[:0], probeAfter, s.Start
}

// fail records a read that failed: by its size, so that what comes later knows
// what was tried.
func (e *engine) fail(s disk.Span, took time.Duration, err error) error {
	if isStop(err) {
		return err
	}
	fault := image.FaultOf(err)
	if fault == image.Gone {
		return e.goneIn(s)
	}
	// A drive that is gone, or another one, says nothing about this sector.
	if err := e.still(); err != nil {
		return err
	}
	e.rec.Errors++
	e.bad++
	e.calm = 0
	if took > slowAfter {
		e.rec.Slow += took
	}
	e.watch.Event(Event{Kind: EventBad, Span: s, Took: took})
	if e.silent { // noted as hung, and most likely cut short by pulling the drive
		return e.probe()
	}
	e.noteFailure(s, fault)
	e.failures = append(e.failures, s)
	if len(e.failures) >= e.nextProbe {
		return e.probe()
	}
	return nil
}

// probe tells a bad spot from a drive that has gone without saying so, or is
// another one by now: many failures in a row, and a sector that could be read
// cannot any more.
func (e *engine) probe() error {
	sure, err := e.prove()
	if err != nil {
		return err
	}
	switch {
	case sure:
	case e.lastGood >= 0:
		_, err := e.ask(disk.Span{Start: e.lastGood, Count: 1}, make([]byte, e.rec.SectorSize))
		if isStop(err) {
			return err
		}
		if err != nil {
			return e.gone()
		}
	case len(e.failures) >= nothingAfter:
		return e.gone()
	default:
		e.nextProbe = nothingAfter
		return nil
	}
	e.failures, e.nextProbe = e.failures[:0], min(2*e.nextProbe, probeMost)
	return nil
}

// gone ends the run. What failed since the last good read is taken back.
func (e *engine) gone() error {
	e.takeBack()
	e.note(record.Line{Verb: record.VerbGone, Fault: image.Gone})
	e.watch.Event(Event{Kind: EventGone})
	return &stopped{DriveGone}
}

// takeBack forgets the failures since the last good read: a drive that was
// leaving says nothing about its sectors.
func (e *engine) takeBack() {
	for _, s := range e.failures {
		if s.Count == 1 {
			e.j.put(s.Start, make([]byte, e.rec.SectorSize))
		}
		e.note(record.Line{Verb: record.VerbLeft, Span: s})
	}
	e.failures = nil
}

// goneIn ends the run because the drive went in the middle of a read. That may
// be a cable, or the spot: the spot comes back later, a second time last of
// all, and a single sector that does it there is not touched again. A drive that
// was pulled out because it did not answer went at the spot.
func (e *engine) goneIn(s disk.Span) error {
	st := e.rec.States.Get(s.Start)
	switch {
	case st == record.Missing || st == record.Suspect && s.Count == 1 && len(e.rec.InDoubt(s, true)) > 0:
		e.fillMissing(s)
		e.note(record.Line{Verb: record.VerbMissing, Span: s, Fault: image.Gone})
	case st == record.Hung || st.InImage():
	case st == record.Unread && !e.quiet:
		e.note(record.Line{Verb: record.VerbLeft, Span: s})
	default:
		e.keepWindow = true
		if err := e.waits(s); err != nil {
			return err
		}
	}
	return e.gone()
}

// mayGoOn stops, rests, syncs and reports, each when it is due.
func (e *engine) mayGoOn() error {
	if err := e.j.failed(); err != nil {
		return err
	}
	now := e.Time.Now()
	switch {
	case e.ctx.Err() != nil:
		e.takeBack()
		return &stopped{Interrupted}
	case e.StopAfter > 0 && now.Sub(e.began) >= e.StopAfter:
		return e.spent(TimeSpent)
	case e.StopAfterBad > 0 && e.bad >= e.StopAfterBad:
		return e.spent(BadSpent)
	}
	if e.Work > 0 && e.Rest > 0 && now.Sub(e.worked) >= e.Work {
		if err := e.takeRest(); err != nil {
			return err
		}
		now = e.Time.Now()
	}
	if e.unsynced >= syncBytes || (e.unsynced > 0 && now.Sub(e.synced) >= syncEvery) {
		// Before the mark, where it is due: what the mark covers is known to be of this drive.
		if e.unsynced >= syncBytes || now.Sub(e.compared) >= proveEvery {
			e.compared = now
			if _, err := e.prove(); err != nil {
				return err
			}
		}
		e.unsynced, e.synced = 0, now
		e.noteClock()
		e.j.mark()
	}
	if now.Sub(e.shown) >= time.Second {
		e.shown = now
		e.watch.Progress(e.progress())
	}
	return nil
}

// spent ends a run; if it ends with failures, it looks whether the drive is
// still there.
func (e *engine) spent(why Stop) error {
	if err := e.lastProbe(); err != nil {
		return err
	}
	return &stopped{why}
}

func (e *engine) takeRest() error {
	// Nothing is being read: a power cut during the rest must put no sector in doubt.
	e.window = nil
	e.note(record.Line{Verb: record.VerbAnswered})
	if err := e.j.settle(); err != nil {
		return err
	}
	e.watch.Event(Event{Kind: EventRest, Took: e.Rest})
	sleep(e.ctx, e.Time, e.Rest)
	e.worked = e.Time.Now()
	e.watch.Event(Event{Kind: EventWork})
	if e.ctx.Err() != nil {
		return &stopped{Interrupted}
	}
	return nil
}
