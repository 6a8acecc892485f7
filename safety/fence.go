package safety

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/receipt"
)

// raiseFence blanks sector 0, which alone makes the card no disk for most
// systems. When that is on the medium it writes the mark, and when that is, the
// rest.
func (a *applier) raiseFence() error {
	if err := a.begin(receipt.StageFence); err != nil {
		return err
	}
	sector0 := common(a.fence, disk.NewSpans(disk.Span{Count: 1}))
	if err := a.blank(sector0); err != nil {
		return a.fenceAgain(err)
	}
	a.fenced = len(sector0) > 0
	if a.bearsMark() {
		if err := a.raiseMark(); err != nil {
			return err
		}
	}
	// The mark stays out: it is on the medium, and the receipt says so.
	return a.blank(without(a.fence, a.markSpans()...))
}

// bearsMark tells whether the card gets the mark of its receipt while it is
// fenced. Tests leave their stamps instead.
func (a *applier) bearsMark() bool {
	return a.req.Kind == receipt.Write || a.req.Kind == receipt.Undo && a.receipt.New != nil
}

func (a *applier) markSpans() []disk.Span {
	if a.bearsMark() {
		return []disk.Span{a.mark}
	}
	return nil
}

// raiseMark writes the mark, and notes when it is on the medium. A mark that is
// there is not written again: a power cut could tear it.
func (a *applier) raiseMark() error {
	want, have, off := a.id.Sector(int(a.n)), make([]byte, a.n), int64(a.mark.Start)*a.n
	if err := image.ReadFull(a.dev, have, off); err != nil {
		return err
	}
	if !bytes.Equal(have, want) {
		if err := a.write(want, off); err != nil {
			return err
		}
		if err := a.flush(); err != nil {
			return err
		}
		if err := image.ReadFull(a.dev, have, off); err != nil {
			return err
		}
		// The flush has emptied the cache, so this comes from the card: the receipt will say
		// next that the mark is there.
		if !bytes.Equal(have, want) {
			return &DifferentError{Stage: a.stage, Unequal: 1, Differences: []Difference{{Sector: a.mark.Start}}}
		}
	}
	return a.out.Stage(receipt.StageMarked, 0)
}

// blank writes zeros, flushes them, and reads them back.
func (a *applier) blank(spans disk.Spans) error {
	for _, s := range spans {
		if err := a.writeZeros(int64(s.Start)*a.n, int64(s.Count)*a.n); err != nil {
			return err
		}
	}
	if err := a.flush(); err != nil {
		return err
	}
	return a.readBlank(spans)
}

func (a *applier) readBlank(spans disk.Spans) error {
	buf := make([]byte, bufferSize)
	for _, s := range spans {
		for off := int64(s.Start) * a.n; off < int64(s.End())*a.n; {
			b := buf[:min(bufferSize, int64(s.End())*a.n-off)]
			if err := image.ReadFull(a.dev, b, off); err != nil {
				return err
			}
			if !isFilled(b, 0) {
				return a.notBlank(b, disk.Sector(off/a.n))
			}
			off += int64(len(b))
		}
	}
	return nil
}

// notBlank names the sectors of b, which begins at sector at, that are not.
func (a *applier) notBlank(b []byte, at disk.Sector) error {
	d := &DifferentError{Stage: a.stage}
	for i := int64(0); i < int64(len(b)); i += a.n {
		if !isFilled(b[i:i+a.n], 0) {
			d.Unequal++
			d.Differences = append(d.Differences, Difference{Sector: at + disk.Sector(i/a.n)})
		}
	}
	return d
}

func (a *applier) writeZeros(off, n int64) error {
	for end := off + n; off < end; {
		b := a.zeros[:min(bufferSize, end-off)]
		if err := a.write(b, off); err != nil {
			return err
		}
		off += int64(len(b))
	}
	return nil
}

// fenceAgain tries to leave a card with a blank sector 0 and its mark behind,
// after the write of one of these very sectors failed.
func (a *applier) fenceAgain(err error) error {
	if !a.touched || len(a.phase[3].Within(disk.Span{Count: 1})) == 0 {
		return err
	}
	// Whoever stopped the run wants no card that looks like a disk and is half of one.
	a.ctx = context.WithoutCancel(a.ctx)
	if e := a.blank(disk.NewSpans(disk.Span{Count: 1})); e != nil {
		return errors.Join(err, fmt.Errorf("and sector 0 could not be made blank: %w", e))
	}
	a.fenced = true
	if a.bearsMark() {
		if e := a.raiseMark(); e != nil {
			return errors.Join(err, fmt.Errorf("and the mark could not be written: %w", e))
		}
	}
	return err
}
