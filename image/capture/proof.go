package capture

import (
	"bytes"
	"errors"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// watched is a Drive that can be asked, at no cost to the hardware, whether it
// is still what was opened. The error is an *image.ReadError, Changed or Gone.
type watched interface{ Still() error }

// anchor is a sector that was read well and quickly, and is not one byte all
// over: if it holds something else, the drive is most likely another one.
type anchor struct {
	at   disk.Sector
	data []byte
}

// Bounds of what is compared to tell one drive from another: chosen by hand, no
// source. Each comparison is a read of a drive that may have few left, so they are
// as low as lets one changed sector, or one that has gone bad since, decide nothing
// alone.
const (
	fingerprints = 8 // the most sectors
	fewPrints    = 4 // so many that all fail say that a drive is not there
	mostAnchors  = 8 // kept in memory
	anchorTries  = 3 // that cannot be read, before no more are tried
	freshPrints  = 4 // compared of what a run that was cut off had read last
)

// anchorIn takes the first telling sector of a read that went well, once
// between two proofs. The very first one is compared from then on.
func (e *engine) anchorIn(s disk.Span, b []byte) {
	if e.young != nil {
		return
	}
	n := e.rec.SectorSize
	for i := range int(s.Count) {
		one := b[i*n : (i+1)*n]
		if tells(one) {
			e.young = &anchor{s.Start + disk.Sector(i), bytes.Clone(one)}
			break
		}
	}
	if len(e.anchors) == 0 && e.young != nil {
		e.anchors, e.young = []anchor{*e.young}, nil
	}
}

// tells tells whether a sector is not one byte all over.
func tells(one []byte) bool { return !bytes.Equal(one[1:], one[:len(one)-1]) }

// still asks the system whether the drive is what was opened.
func (e *engine) still() error {
	if w, ok := e.drive.(watched); ok {
		err := w.Still()
		if image.FaultOf(err) == image.Gone && err != nil {
			return e.gone()
		} else if err != nil {
			return e.changed(err.Error())
		}
	}
	if n := image.Sectors(e.drive); n != e.rec.Sectors {
		return e.changed(fmt.Sprintf("it had %d sectors and has %d", e.rec.Sectors, n))
	}
	return nil
}

// prove compares one sector, the latest that was read before the last proof,
// with the drive. Sure is false if there was none that could be read. The error
// is a *stopped if the drive is another one, or gone.
func (e *engine) prove() (sure bool, err error) {
	if err := e.still(); err != nil {
		return false, err
	}
	for range anchorTries {
		i := len(e.anchors) - 1
		if i < 0 {
			break
		}
		a := e.anchors[i]
		equal, err := e.holds(a.at, a.data)
		switch {
		case isStop(err):
			return false, err
		case err != nil && image.FaultOf(err) == image.Gone:
			return false, e.gone()
		case err != nil:
			e.anchors = e.anchors[:i]
			continue
		case !equal:
			if err := e.judge(); err != nil {
				return false, err
			}
			e.anchors = slices.DeleteFunc(e.anchors, func(b anchor) bool { return b.at == a.at })
		}
		e.proved()
		return true, nil
	}
	return false, nil
}

func isStop(err error) bool {
	var st *stopped
	return errors.As(err, &st)
}

// proved is called when the drive is known to be the one that it was.
func (e *engine) proved() {
	if e.young != nil {
		if len(e.anchors) >= mostAnchors {
			e.anchors = e.anchors[1:]
		}
		e.anchors = append(e.anchors, *e.young)
		e.young = nil
	}
	e.recent = nil
	if len(e.rec.Fresh()) > 0 {
		e.note(record.Line{Verb: record.VerbSame})
	}
}

// holds reads one sector and tells whether it holds what it held. The read
// takes no buffer of the journal: the comparison may come in the midst of one.
func (e *engine) holds(x disk.Sector, want []byte) (bool, error) {
	now := make([]byte, len(want))
	_, err := e.ask(disk.Span{Start: x, Count: 1}, now)
	return err == nil && bytes.Equal(now, want), err
}

// judge is called when a sector holds something else than before: it is
// unstable, or the drive is another one.
func (e *engine) judge() error {
	if err := e.j.flush(); err != nil {
		return err
	}
	err := e.sameDrive()
	var de *DifferentDriveError
	switch {
	case errors.As(err, &de):
		return e.changed(de.Why)
	case err != nil && image.FaultOf(err) == image.Gone && !isStop(err):
		return e.gone()
	}
	return err
}

// sameDrive compares the anchors, and a few known sectors that are not blank,
// with the drive: a bridge may show its own serial number whatever drive is in
// it. What was read since the last proof is no measure.
func (e *engine) sameDrive() error {
	prints, _, err := e.measure()
	if err != nil {
		return err
	}
	return e.agree(prints)
}

// measure returns sectors by which the drive is told from others, and whether they
// are proved to be of it. Where nothing is, they are of all that was read.
func (e *engine) measure() (prints []anchor, proved bool, err error) {
	if prints, err = telling(e.rec, e.img, e.own(e.rec.Proven()), e.varied); err != nil {
		return nil, false, err
	}
	if prints = append(prints, e.anchors...); len(prints) > 0 {
		return prints, true, nil
	}
	prints, err = telling(e.rec, e.img, e.own(e.rec.Read()), e.varied)
	return prints, false, err
}

// agree compares sectors with the drive. The error is a *DifferentDriveError if it
// is another one, or says that it is gone.
func (e *engine) agree(prints []anchor) error {
	compared, differ, err := e.compareAll(prints)
	if err != nil {
		return err
	}
	if len(prints) >= fewPrints && compared == 0 {
		return &image.ReadError{Span: e.rec.Whole(), Fault: image.Gone,
			Err: errors.New("no sector that was read before can be read now")}
	}
	// Two drives of one model have their boot areas in common, so a quarter that differs
	// is enough: chosen by hand, no source.
	if differ > 0 && 4*differ >= compared {
		return &DifferentDriveError{
			Why: fmt.Sprintf("%d of %d sectors that were read before hold something else", differ, compared),
			few: 3*differ <= compared,
		}
	}
	return nil
}

func (e *engine) compareAll(prints []anchor) (compared, differ int, err error) {
	for _, a := range prints {
		equal, err := e.holds(a.at, a.data)
		switch {
		case isStop(err), err != nil && image.FaultOf(err) == image.Gone:
			return compared, differ, err
		case err != nil:
			continue
		}
		e.lastGood = a.at
		compared++
		known := slices.ContainsFunc(e.anchors, func(b anchor) bool { return b.at == a.at })
		if !equal {
			differ++
		} else if len(e.anchors) < mostAnchors && !known {
			e.anchors = append(e.anchors, a)
		}
	}
	return compared, differ, nil
}

// firstProof makes sure, before anything is read or written, that this is the
// drive of the capture. It returns what must not be trusted: what a run that
// was cut off had read after its last proof, if that is of another drive.
func (e *engine) firstProof() (strange disk.Spans, err error) {
	prints, proved, err := e.measure()
	if err == nil {
		err = e.agree(prints)
	}
	var de *DifferentDriveError
	switch {
	case err == nil:
		strange, err = e.strange()
	case !proved && errors.As(err, &de) && de.few:
		strange, err = e.butForLatest(err)
	}
	if isStop(err) {
		return nil, fmt.Errorf("the drive was not looked at to the end: %w", e.ctx.Err())
	}
	return strange, err
}

// butForLatest judges once more where nothing was proved and few sectors differ:
// they may be the latest, of a drive that came into the place of this one. If the
// latest are right, or what is left does not agree either, it is another drive.
func (e *engine) butForLatest(different error) (disk.Spans, error) {
	strange, err := e.strange()
	if err != nil {
		return nil, err
	}
	var left disk.Spans
	for _, s := range e.own(e.rec.Read()) {
		left = append(left, strange.Outside(s)...)
	}
	prints, err := telling(e.rec, e.img, left, e.varied)
	switch {
	case err != nil:
		return nil, err
	case len(strange) == 0 || len(prints) == 0,
		// The few sectors compared may by chance say less of what is strange than there is:
		// a third of what was read, as there.
		3*strange.Sectors() > e.rec.Read().Sectors():
		return nil, different
	}
	if err := e.agree(prints); err != nil {
		return nil, err
	}
	return strange, nil
}

// strange compares the latest reads of a run that was cut off: if another drive
// came into the place of the first after the last proof, these are of it. What was
// read after the latest two that are right, and all that failed, is strange. Two,
// and each at both ends: short reads wait for their neighbours, become one line of
// the record with them, and are written behind a later one.
func (e *engine) strange() (disk.Spans, error) {
	var met, out disk.Spans
	right := 0
	for i, tried := len(e.rec.Latest())-1, 0; i >= 0 && right < 2 && (len(out) > 0 || tried < freshPrints); i-- {
		s := e.rec.Latest()[i]
		var ends []anchor
		for _, o := range e.own([]disk.Span{s}) {
			a, err := tellingEnds(e.rec, e.img, o)
			if err != nil {
				return nil, err
			}
			ends = append(ends, a...)
		}
		tried += len(ends)
		compared, differ, err := e.compareAll(ends)
		if err != nil {
			return nil, err
		}
		met = met.Union(e.rec.States.Spans(s, record.Good, record.Unstable))
		switch {
		case differ > 0:
			out, right = met, 0
		case compared > 0:
			right++
		}
	}
	if len(out) == 0 {
		return nil, nil
	}
	if right == 0 { // not one is
		out = out.Union(e.freshIn(record.Good, record.Unstable))
	}
	return out.Union(e.freshIn(record.Missing, record.Failed, record.Tight)), nil
}

// freshIn returns what was said since the last proof, of sectors in some states.
func (e *engine) freshIn(states ...record.State) disk.Spans {
	var out disk.Spans
	for _, f := range e.rec.Fresh() {
		out = append(out, e.rec.States.Spans(f, states...)...)
	}
	return out
}
