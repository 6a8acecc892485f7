package safety

import (
	"context"
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/layout"
)

// DeviceResult tells what was written to a card, in sectors.
type DeviceResult struct {
	Sectors   layout.Sector // of the whole card
	Written   layout.Sector
	Left      layout.Sector // not touched
	Missing   layout.Sector // zeros because the source does not know them; part of Written
	Receipt   string
	Continued bool // an unfinished write was brought to its end
}

// Write writes the planned card to the device, or puts back what a receipt
// kept, in the order that leaves the card old, new, or plainly no disk if it
// ends anywhere on the way: the fence, data, the data read back, second copies,
// first copies, sector 0. The error is a *Stopped, but for a permit that is for
// something else.
func (p *Permit) Write(ctx context.Context) (DeviceResult, error) {
	if err := p.take(Write, Undo); err != nil {
		return DeviceResult{}, err
	}
	a := newApplier(ctx, p)
	res, err := a.run()
	if err != nil {
		return DeviceResult{}, a.stopped(err)
	}
	return res, nil
}

// applier writes one card.
type applier struct {
	*Permit
	ctx    context.Context
	n      int64 // bytes a sector
	phase  [4]layout.Spans
	fence  layout.Spans
	upto   layout.Sector // the data before it was written by an earlier run
	out    *receiptWriter
	zeros  []byte
	marked int64 // bytes written since the last mark

	stage           Stage
	touched, fenced bool
	restored        bool // everything that was replaced was put back
}

func newApplier(ctx context.Context, p *Permit) *applier {
	a := &applier{Permit: p, ctx: ctx, n: int64(p.req.Disk.SectorSize), stage: StageLook, zeros: make([]byte, bufferSize)}
	a.phase = phases(p.req.Disk, p.req.Pieces)
	a.fence = fenceSpans(p.req.Disk, p.req.Pieces, p.req.Tables)
	if p.receipt != nil && p.req.Kind == Write {
		a.fence = p.receipt.Fence
		if a.upto = p.receipt.Upto; a.upto > 0 { // some data is there; it must not be fenced away
			a.fence = common(a.fence, a.phase[1].Union(a.phase[2]).Union(a.phase[3]))
		}
	}
	return a
}

func (a *applier) stopped(err error) error {
	return &Stopped{Stage: a.stage, Touched: a.touched, Fenced: a.fenced, Restored: a.restored, Err: err}
}

func (a *applier) run() (res DeviceResult, err error) {
	if err := a.openReceipt(); err != nil {
		return res, err
	}
	defer func() {
		if e := a.out.file.Close(); err == nil {
			err = e
		}
	}()
	if err := a.lookAgain(); err != nil {
		return res, err
	}
	steps := []func() error{a.raiseFence, a.writeData, a.readBack, a.second, a.first, a.early, a.sector0}
	for _, step := range steps {
		if err := step(); err != nil {
			return res, err
		}
	}
	last := StageDone
	if a.req.Kind == Undo {
		last = StageUndone
	}
	if err := a.out.stage(last, 0); err != nil {
		return res, err
	}
	return a.count(), nil
}

func (a *applier) count() DeviceResult {
	w := imageWriter{card: a.req.Card, pieces: a.req.Pieces}
	c := w.count()
	return DeviceResult{Sectors: c.Sectors, Written: c.Written, Left: c.Left, Missing: c.Missing,
		Receipt: a.req.Receipt, Continued: a.req.Kind == Write && a.receipt != nil}
}

// begin notes in the receipt that a stage begins.
func (a *applier) begin(s Stage) error {
	if err := a.ctx.Err(); err != nil {
		return context.Cause(a.ctx)
	}
	a.stage = s
	if a.req.Kind == Undo {
		if s == StageFence {
			return a.out.stage(StageUndo, 0)
		}
		return nil
	}
	upto := layout.Sector(0)
	if s == StageData {
		upto = a.upto
	}
	return a.out.stage(s, upto)
}

// raiseFence blanks sector 0, which alone makes the card no disk for most
// systems, and only when that is on the medium the rest.
func (a *applier) raiseFence() error {
	if err := a.begin(StageFence); err != nil {
		return err
	}
	sector0 := layout.NewSpans(layout.Span{Count: 1})
	if err := a.blank(common(a.fence, sector0)); err != nil {
		return a.fenceAgain(err)
	}
	a.fenced = true
	return a.blank(a.fence)
}

// blank writes zeros, flushes them, and reads them back.
func (a *applier) blank(spans layout.Spans) error {
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

func (a *applier) readBlank(spans layout.Spans) error {
	buf := make([]byte, bufferSize)
	for _, s := range spans {
		for off := int64(s.Start) * a.n; off < int64(s.End())*a.n; {
			b := buf[:min(bufferSize, int64(s.End())*a.n-off)]
			if err := image.ReadFull(a.dev, b, off); err != nil {
				return err
			}
			if !isFilled(b, 0) {
				return &DifferentError{Stage: a.stage, Unequal: layout.Sector(int64(len(b)) / a.n)}
			}
			off += int64(len(b))
		}
	}
	return nil
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

// write is the one place that writes to the card here.
func (a *applier) write(b []byte, off int64) error {
	if err := a.ctx.Err(); err != nil {
		return context.Cause(a.ctx)
	}
	a.touched = true
	n, err := a.dev.WriteAt(b, off)
	if err == nil && n != len(b) {
		err = fmt.Errorf("only %d of %d bytes were written at sector %d", n, len(b), off/a.n)
	}
	return err
}

// flush makes what was written outlast a power cut, and forgets every copy of
// it, so that what is read next comes from the card.
func (a *applier) flush() error {
	if err := a.dev.Flush(); err != nil {
		return err
	}
	if err := a.dev.Forget(); err != nil {
		return err
	}
	return a.dev.Same()
}

// put writes the given sectors of the planned card.
func (a *applier) put(spans layout.Spans, written func(off, n int64) error) error {
	p := &pump{src: a.req.Card, runs: clip(cardRuns(a.req.Card, a.req.Pieces), spans, a.n)}
	p.write = func(b []byte, off int64) error {
		if err := a.write(b, off); err != nil {
			return err
		}
		return written(off, int64(len(b)))
	}
	p.zero = func(off, n int64) error {
		if err := a.writeZeros(off, n); err != nil {
			return err
		}
		return written(off, n)
	}
	p.progress = a.meter(spans)
	return p.run(a.ctx)
}

func (a *applier) meter(spans layout.Spans) func(n int64) {
	if a.req.Progress == nil {
		return nil
	}
	stage := a.stage
	return meter(func(done, total int64) { a.req.Progress(stage, done, total) }, sourceBytes(spans, a.req.Card))
}

// compare reads sectors of the card back and compares them with the plan.
func (a *applier) compare(spans layout.Spans) error {
	v := &verifier{card: a.req.Card, target: a.dev, tally: newTally(a.req.Pieces, int(a.n), VerifyOptions{Limit: 16, Source: a.req.Source})}
	v.runs = clip(cardRuns(a.req.Card, a.req.Pieces), spans, a.n)
	v.progress = a.meter(spans)
	if err := v.run(a.ctx); err != nil {
		return err
	}
	if v.Unequal > 0 {
		return &DifferentError{Stage: a.stage, Unequal: v.Unequal, Differences: v.Differences}
	}
	return nil
}

// markEvery is how much data is written between two marks in the receipt.
const markEvery = 256 << 20

func (a *applier) writeData() error {
	if err := a.begin(StageData); err != nil {
		return err
	}
	every := a.req.every
	if every == 0 {
		every = markEvery
	}
	spans := layout.Spans(a.phase[0].Within(layout.Between(a.upto, a.req.Disk.Sectors)))
	err := a.put(spans, func(off, n int64) error {
		if a.marked += n; a.marked < every {
			return nil
		}
		a.marked = 0
		if err := a.flush(); err != nil || a.req.Kind != Write {
			return err
		}
		return a.out.stage(StageData, layout.Sector((off+n)/a.n))
	})
	if err != nil {
		return err
	}
	return a.flush()
}

func (a *applier) readBack() error {
	if err := a.begin(StageBack); err != nil {
		return err
	}
	return a.compare(a.phase[0])
}

func (a *applier) second() error { return a.putTables(StageSecond, a.phase[1]) }
func (a *applier) first() error  { return a.putTables(StageFirst, a.phase[2]) }

// putTables writes, flushes and reads back.
func (a *applier) putTables(s Stage, spans layout.Spans) error {
	if err := a.begin(s); err != nil {
		return err
	}
	if err := a.put(spans, func(int64, int64) error { return nil }); err != nil {
		return err
	}
	if err := a.flush(); err != nil {
		return err
	}
	return a.compare(spans)
}

// early looks whether what was written first still is there: a card that is
// smaller than it says puts later sectors over it.
func (a *applier) early() error {
	if err := a.begin(StageEarly); err != nil {
		return err
	}
	if err := a.compare(earlySectors(a.phase[0], int(a.n))); err != nil {
		return err
	}
	return a.readBlank(common(a.fence, layout.NewSpans(layout.Span{Count: 1})))
}

// sector0 makes the card a disk. If that fails the fence is raised again.
func (a *applier) sector0() error {
	if len(a.phase[3]) > 0 {
		a.fenced = false
	}
	err := a.putTables(StageSector0, a.phase[3])
	if err == nil { // and the tables, in case sector 0 went to another place as well
		err = a.compare(a.phase[1].Union(a.phase[2]))
	}
	if err != nil {
		return a.fenceAgain(err)
	}
	return nil
}

// fenceAgain tries to leave a card with a blank sector 0 behind, after the
// write of that very sector failed.
func (a *applier) fenceAgain(err error) error {
	if !a.touched {
		return err
	}
	a.ctx = context.WithoutCancel(a.ctx)
	if e := a.blank(layout.NewSpans(layout.Span{Count: 1})); e != nil {
		return errors.Join(err, fmt.Errorf("and sector 0 could not be made blank: %w", e))
	}
	a.fenced = true
	return err
}
