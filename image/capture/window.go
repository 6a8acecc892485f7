package capture

import (
	"slices"
	"time"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// suspects returns the suspect runs of sectors, class by class: those in doubt,
// or the others.
func (e *engine) suspects(classes []Class, doubt bool) []disk.Span {
	var out []disk.Span
	for _, s := range e.runsOf(classes, record.Suspect) {
		out = append(out, e.rec.InDoubt(s, doubt)...)
	}
	return out
}

// again reads the parts of windows that were cut off, in large reads.
func (e *engine) again(c Class) error {
	for _, s := range e.suspects([]Class{c}, false) {
		for !s.Empty() {
			r := e.cut(s, e.block)
			if _, err := e.try(r); err != nil {
				return err
			}
			s = disk.Between(r.End(), s.End())
		}
	}
	return nil
}

// doubted reads sectors in doubt, one by one.
func (e *engine) doubted(classes []Class) error {
	e.doing = "single sectors where the drive hung"
	return e.bisect(e.suspects(classes, true), level{from: record.Suspect, size: 1})
}

// announce makes sure that the record says, durably, that s is about to be
// read: alone if it is risky, else with what comes after it in the next second.
// Single sectors that go well share a line with the few beside them: each line
// costs a flush of the disk that holds the record.
func (e *engine) announce(s disk.Span) error {
	now := e.Time.Now()
	if alone := e.doubtful(s); alone || e.risky(s) {
		if s.Count == 1 && e.calm > 0 && !alone {
			if len(e.window) == 1 && e.window[0].Count == fewSingles && e.window[0].Holds(s.Start) {
				return nil
			}
			s = disk.Span{Start: s.Start / fewSingles * fewSingles, Count: fewSingles}.Common(e.rec.Whole())
		}
		e.window, e.windowAt = []disk.Span{s}, now
		return e.promiseWindow()
	}
	age := now.Sub(e.windowAt)
	if age < time.Second && slices.ContainsFunc(e.window, func(w disk.Span) bool { return w.Covers(s) }) {
		return nil
	}
	if age < time.Second {
		e.windowN = min(2*e.windowN, maxWindow*e.block)
	} else if age > 2*time.Second {
		e.windowN = max(e.windowN/2, e.block)
	}
	e.window, e.windowAt = []disk.Span{s}, now
	if e.ahead != nil {
		e.window = e.ahead(e.windowN)
	}
	return e.promiseWindow()
}

func (e *engine) promiseWindow() error {
	l := record.Line{Verb: record.VerbAbout, Spans: e.window}
	if err := e.rec.Apply(&l); err != nil {
		return err
	}
	return e.j.promise(l)
}

// doubtful tells whether a sector of s was announced before, and no answer came.
func (e *engine) doubtful(s disk.Span) bool {
	_, again := e.rec.States.First(s, record.Suspect)
	return again || e.rec.Wary(s)
}

// risky tells whether a read comes after a failure or lies near a bad spot.
func (e *engine) risky(s disk.Span) bool {
	if e.calm == 0 && e.bad > 0 {
		return true
	}
	about := disk.Between(max(0, s.Start-e.block), min(e.rec.Sectors, s.End()+e.block))
	near := false
	e.rec.States.Each(about, func(_ disk.Span, st record.State) bool {
		near = st >= record.Failed || st == record.Missing
		return !near
	})
	return near
}
