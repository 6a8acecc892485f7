package capture

import (
	"slices"
	"sort"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// changed ends the run because the drive is not the same any more. What may be of
// the other one is taken back, and counts as unread: of what was read since the
// last proof, all but what came before the change, and every failure.
func (e *engine) changed(why string) error {
	if err := e.j.flush(); err != nil {
		return err
	}
	theirs := slices.Clone(e.freshIn(record.Missing, record.Failed, record.Tight))
	ours := e.beforeTheChange()
	for _, s := range e.freshIn(record.Good, record.Unstable) {
		theirs = append(theirs, ours.Outside(s)...)
	}
	blank := make([]byte, record.BlockBytes)
	size := int64(e.rec.SectorSize)
	for _, s := range disk.SpansFrom(theirs) {
		// The line before the zeros: cut off in between, the record calls unread what the
		// image still has of the other drive.
		e.note(record.Line{Verb: record.VerbLeft, Span: s})
		for !s.Empty() {
			r := e.cut(s, e.block)
			e.j.put(r.Start, blank[:int64(r.Count)*size])
			s = disk.Between(r.End(), s.End())
		}
	}
	e.failures = nil
	e.note(record.Line{Verb: record.VerbGone, Fault: image.Changed})
	e.watch.Event(Event{Kind: EventChanged})
	e.why = why
	return &stopped{DriveChanged}
}

// beforeTheChange returns what of the reads since the last proof is surely not of
// the drive that answers now. Reads came in order, so one that this drive answers
// otherwise, at both ends, was before the change, and so was all before it. Two in
// a row must say so. A read that is blank, or cannot be compared, says nothing and
// counts as one after the change: then more is taken back than must be.
func (e *engine) beforeTheChange() disk.Spans {
	lost := false // no answer: what is not known by then stays unknown
	before := func(i int) bool {
		if lost {
			return false
		}
		ends, err := tellingEnds(e.rec, e.img, e.recent[i])
		if err != nil || len(ends) == 0 {
			return false
		}
		for _, a := range ends {
			equal, err := e.holds(a.at, a.data)
			if lost = isStop(err) || image.FaultOf(err) == image.Gone && err != nil; equal || err != nil {
				return false
			}
		}
		return true
	}
	n := sort.Search(len(e.recent), func(i int) bool { return !before(i) })
	if n < 2 || !before(n-1) || !before(n-2) {
		return nil
	}
	return disk.NewSpans(e.recent[:n]...)
}
