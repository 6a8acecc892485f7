package capture

import (
	"slices"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// level is one step of narrowing: sectors of one state are read in reads of
// one size; what fails becomes the next state.
type level struct {
	from, to record.State
	verb     record.Verb // of the lines that say so; empty at the last level
	size     disk.Sector
}

// rowOfBad is after how many single failures in a row the spot is left: chosen by
// hand, no source. Behind a lone bad sector reading goes on; of a long scratch no
// more than its edges are tried here.
const rowOfBad = 4

// edges works from both ends of a run inwards until a read fails at each. What
// remains beside a failure and is no larger than one read is not tried in that
// size: it goes to the next level as it is, and saves a visit. Where one failure
// stands alone, what lies behind it is first tried as a whole.
func (e *engine) edges(s disk.Span, lv level) error {
	hit := e.troubled(s.Start - 1)
	if !hit && lv.size == 1 {
		var err error
		if s, err = e.closeIn(s); err != nil {
			return err
		}
	}
	// What lies beside a failure is likely to fail: in the first step it is come at from
	// the other end alone.
	if !hit || lv.from != record.Left {
		var lone bool
		var err error
		if s, hit, lone, err = e.fromStart(s, lv); err != nil {
			return err
		}
		if lone && s.Count > lv.size && s == e.cut(s, e.block) && !e.troubled(s.End()) {
			if got, err := e.try(s); err != nil || got != failedIt {
				return err
			}
		}
	}
	for !s.Empty() {
		if lv.verb != "" && hit && s.Count <= lv.size {
			e.note(record.Line{Verb: lv.verb, Span: s, Fault: record.Near})
			return nil
		}
		r := e.cutEnd(s, lv.size)
		got, err := e.try(r)
		if err != nil || got == failedIt {
			return err
		}
		s.Count -= r.Count
	}
	return nil
}

// closeIn reads a short run upwards in pieces, each one sector smaller than the
// one before, until one fails: then as many single reads may be left as pieces
// were saved. It returns the rest, with the piece that failed.
func (e *engine) closeIn(s disk.Span) (disk.Span, error) {
	n := disk.Sector(1)
	for n*(n+1)/2 < s.Count {
		n++
	}
	for ; n > 1 && s.Count > n; n-- {
		r := e.cut(s, n)
		got, err := e.try(r)
		if err != nil || got == failedIt {
			return s, err
		}
		s = disk.Between(r.End(), s.End())
	}
	return s, nil
}

// fromStart reads upwards until a read fails. Single sectors go on through a
// few failures: a short run of bad sectors is done with at once. A failure is
// lone if nothing says that the rest of the run is bad too.
func (e *engine) fromStart(s disk.Span, lv level) (rest disk.Span, hit, lone bool, err error) {
	row := 0
	for !s.Empty() {
		r := e.cut(s, lv.size)
		got, err := e.try(r)
		if err != nil {
			return s, hit, false, err
		}
		s = disk.Between(r.End(), s.End())
		if got == failedIt {
			hit = true
			if row++; lv.size > 1 || row == rowOfBad {
				return s, hit, lv.size > 1 && lv.from != record.Left, nil
			}
		} else if hit {
			return s, hit, true, nil
		}
	}
	return s, hit, false, nil
}

// troubled tells whether a sector is part of a spot that failed.
func (e *engine) troubled(x disk.Sector) bool {
	if x < 0 {
		return false
	}
	st := e.rec.States.Get(x)
	return st == record.Failed || st == record.Tight || st == record.Missing || st == record.Hung
}

// inOrderBelow is the length in reads below which a run is not halved any more:
// chosen by hand, no source. Halving finds islands, and each step is a far move of
// the head; in a short run going from end to end costs less.
const inOrderBelow = 128

// bisect reads all of the runs: it tries the middle of each, goes on from there
// in both directions as long as it goes well, and halves what remains. Good sectors
// inside a large bad area are found early so, and no spot is read again and again.
func (e *engine) bisect(queue []disk.Span, lv level) error {
	for ; len(queue) > 0; queue = queue[1:] {
		for _, s := range e.rec.States.Spans(queue[0], lv.from) {
			if s.Count <= inOrderBelow*lv.size && lv.size == 1 || s.Count <= lv.size {
				if err := e.alternate(s, lv); err != nil {
					return err
				}
				continue
			}
			parts, err := e.fromMiddle(s, lv)
			if err != nil {
				return err
			}
			queue = append(queue, parts...)
		}
	}
	return nil
}

// fromMiddle returns what remains on both sides.
func (e *engine) fromMiddle(s disk.Span, lv level) ([]disk.Span, error) {
	m := s.Start + s.Count/2
	m = max(s.Start, m/lv.size*lv.size)
	low, high := disk.Between(s.Start, m), disk.Between(m, s.End())
	for first := true; !high.Empty(); first = false {
		r := e.cut(high, lv.size)
		got, err := e.try(r)
		if err != nil {
			return nil, err
		}
		high = disk.Between(r.End(), high.End())
		if got == failedIt && first {
			return []disk.Span{low, high}, nil
		} else if got == failedIt {
			break
		}
	}
	for !low.Empty() {
		r := e.cutEnd(low, lv.size)
		got, err := e.try(r)
		if err != nil {
			return nil, err
		}
		low.Count -= r.Count
		if got == failedIt {
			break
		}
	}
	return []disk.Span{low, high}, nil
}

// alternate reads a short run to its end: from one side until a read fails,
// then from the other.
func (e *engine) alternate(s disk.Span, lv level) error {
	for up := true; !s.Empty(); {
		r := e.cut(s, lv.size)
		if !up {
			r = e.cutEnd(s, lv.size)
		}
		got, err := e.try(r)
		if err != nil {
			return err
		}
		if up {
			s = disk.Between(r.End(), s.End())
		} else {
			s.Count -= r.Count
		}
		if got == failedIt {
			up = !up
		}
	}
	return nil
}

// narrow brings what was left, or failed in a large read, down to small reads
// that fail.
func (e *engine) narrow(classes []Class) error {
	for _, c := range classes {
		e.doing, e.doingNow = "going round bad spots", c
		one := []Class{c}
		if err := e.again(c); err != nil {
			return err
		}
		for _, step := range []level{{record.Left, record.Failed, record.VerbFailed, e.block},
			{record.Failed, record.Tight, record.VerbTight, smallSectors}} {
			for _, s := range e.runsOf(one, step.from) {
				if err := e.edges(s, step); err != nil {
					return err
				}
			}
			if err := e.bisect(e.runsOf(one, step.from), step); err != nil {
				return err
			}
		}
	}
	return nil
}

// singles reads sectors one by one from both edges of each bad spot inwards,
// until some fail.
func (e *engine) singles(classes []Class) error {
	for _, c := range classes {
		e.doing, e.doingNow = "single sectors round bad spots", c
		for _, s := range e.runsOf([]Class{c}, record.Tight) {
			if err := e.edges(s, level{from: record.Tight, size: 1}); err != nil {
				return err
			}
		}
	}
	return nil
}

// insides reads what is left of bad spots, one sector at a time.
func (e *engine) insides(classes []Class) error {
	for _, c := range classes {
		e.doing, e.doingNow = "single sectors in bad spots", c
		if err := e.bisect(e.runsOf([]Class{c}, record.Tight), level{from: record.Tight, size: 1}); err != nil {
			return err
		}
	}
	return nil
}

// noteFailure says what a failed read leaves to be done, which its size decides.
func (e *engine) noteFailure(s disk.Span, fault image.Fault) {
	l := record.Line{Verb: record.VerbFailed, Span: s, Fault: fault}
	switch {
	case s.Count == 1:
		l.Verb = record.VerbMissing
		e.fillMissing(s)
	case s.Count <= smallSectors, e.isTight(s):
		l.Verb = record.VerbTight
	}
	e.note(l)
}

// isTight tells whether all of s lies in small reads that failed. A larger read that fails
// there says nothing new, and must not send the sectors back to a step that this run has
// behind it: nobody would come for them any more.
func (e *engine) isTight(s disk.Span) bool {
	return slices.Equal(e.rec.States.Spans(s, record.Tight), []disk.Span{s})
}
