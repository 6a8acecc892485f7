package safety

import (
	"context"
	"errors"
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/safety/receipt"
)

// DeviceResult tells what was written to a card, in sectors.
type DeviceResult struct {
	Sectors   disk.Sector // of the whole card
	Written   disk.Sector
	Left      disk.Sector // not touched
	Missing   disk.Sector // zeros because the source does not know them; part of Written
	Receipt   string
	Continued bool // an unfinished write was brought to its end

	NotNoted *NotNotedError // the card is right, and its receipt does not say so; nil if it does
}

// Write writes the planned card to the device, or puts back what a receipt
// kept, in the order that leaves the card old, new, or plainly no disk if it
// ends anywhere on the way: the fence with its mark, data, the data read back,
// second copies, first copies, sector 0. The error is a *Stopped, but for a permit that is for
// something else.
func (p *Permit) Write(ctx context.Context) (DeviceResult, error) {
	if err := p.take(receipt.Write, receipt.Undo); err != nil {
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
	ctx   context.Context
	n     int64 // bytes a sector
	phase [4]disk.Spans
	fence disk.Spans
	mark  disk.Span    // the sector of the mark
	id    receipt.Mark // which mark
	upto  disk.Sector  // the data before it was written by an earlier run
	out   *receipt.Writer
	zeros []byte
	fresh int64 // bytes written since the last progress line

	stage           receipt.Stage
	touched, fenced bool
	restored        bool                            // everything that was replaced was put back
	wrapReceipt     func(receipt.File) receipt.File // puts faults under the lines behind the seal; nil but in tests
	// all was written, if the card still holds it: only the receipt does not say so
	finished bool
}

func newApplier(ctx context.Context, p *Permit) *applier {
	a := &applier{Permit: p, ctx: ctx, n: int64(p.req.Disk.SectorSize), stage: receipt.StageLook,
		zeros: make([]byte, bufferSize)}
	a.mark, a.id = receipt.MarkSector(p.req.Disk), receipt.NewMark()
	if p.receipt != nil {
		a.id = p.receipt.Mark
	}
	a.phase = phases(p.req.Disk, p.req.Pieces)
	a.fence = fenceSpans(p.req.Disk, p.req.Pieces, p.req.Tables)
	if p.receipt != nil && p.req.Kind == receipt.Write {
		// That of the first run: what lay under it is in the receipt, and under no other.
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
		if e := a.out.File.Close(); e != nil && err == nil && res.NotNoted == nil {
			res.NotNoted = &NotNotedError{a.req.Receipt, e}
		}
	}()
	if err := a.lookAgain(); err != nil {
		return res, err
	}
	if a.wrapReceipt != nil {
		a.out.File = a.wrapReceipt(a.out.File)
	}
	// From the fence to the last step the card is no disk for any system, so a power cut
	// leaves nothing that could be used half. What names other sectors is written after
	// them: data, second copies, first copies, sector 0.
	steps := []func() error{a.raiseFence, a.writeData, a.readBack, a.second, a.first, a.early, a.sector0}
	// Of what is finished only the last line of the receipt is missing: nothing is
	// written a second time.
	if a.finished {
		steps = []func() error{a.compareAll}
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return res, a.stepBack(err)
		}
	}
	last := receipt.StageDone
	if a.req.Kind == receipt.Undo {
		last = receipt.StageUndone
	}
	res = a.count()
	// The card is as planned, whatever becomes of the line: it is told, and is no failure.
	if err := a.out.Stage(last, 0); err != nil {
		res.NotNoted = &NotNotedError{a.req.Receipt, err}
	}
	return res, nil
}

// compareAll looks whether a card that only its receipt does not call finished
// is as planned. Nothing was written to it by this run: if it differs, it may be
// a card like it that was finished earlier and used since.
func (a *applier) compareAll() error {
	a.stage = receipt.StageBack
	err := a.compare(a.phase[0].Union(a.phase[1]).Union(a.phase[2]).Union(a.phase[3]))
	var different *DifferentError
	if !errors.As(err, &different) {
		return err
	}
	f, e := a.dev.Describe()
	if e != nil {
		return e
	}
	return Refusals{cardOf{a.receipt}.refusalOf(judgement{outcome: another,
		reason: "it has all tables as they were written, but " + disk.Counted(different.Unequal, "sector") +
			" hold something else, the first is sector " +
			decimal(different.Differences[0].Sector)}, &examined{Facts: f, Request: &a.req})}
}

func (a *applier) count() DeviceResult {
	w := imageWriter{card: a.req.Card, pieces: a.req.Pieces}
	c := w.count()
	return DeviceResult{Sectors: c.Sectors, Written: c.Written, Left: c.Left, Missing: c.Missing,
		Receipt: a.req.Receipt, Continued: a.req.Kind == receipt.Write && a.receipt != nil}
}

// begin notes in the receipt that a stage begins.
func (a *applier) begin(s receipt.Stage) error {
	if err := a.ctx.Err(); err != nil {
		return context.Cause(a.ctx)
	}
	a.stage = s
	if a.req.Kind == receipt.Undo {
		switch s {
		case receipt.StageFence:
			return a.out.Stage(receipt.StageUndo, 0)
		case receipt.StageSector0:
			return a.out.Stage(s, 0)
		}
		return nil
	}
	upto := disk.Sector(0)
	if s == receipt.StageData {
		upto = a.upto
	}
	return a.out.Stage(s, upto)
}

// write is the one place that writes to the card here.
func (a *applier) write(b []byte, off int64) error {
	if err := a.ctx.Err(); err != nil {
		return context.Cause(a.ctx)
	}
	a.touched = true
	n, err := a.dev.WriteAt(b, off)
	if err == nil && n != len(b) {
		err = fmt.Errorf("only %s of %s bytes were written at %s", disk.Grouped(n), disk.Grouped(len(b)),
			disk.At(disk.Sector(off/a.n), int(a.n)))
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
	// Asked last: a card that was put in meanwhile has got nothing of what was flushed.
	return a.dev.Same()
}

// put writes the given sectors of the planned card.
func (a *applier) put(spans disk.Spans, written func(off, n int64) error) error {
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

func (a *applier) meter(spans disk.Spans) func(n int64) {
	if a.req.Progress == nil {
		return nil
	}
	stage := a.stage
	return meter(func(done, total int64) { a.req.Progress(stage, done, total) }, sourceBytes(spans, a.req.Card))
}

// compare reads sectors of the card back and compares them with the plan.
func (a *applier) compare(spans disk.Spans) error {
	v := &verifier{card: a.req.Card, target: a.dev, tally: newTally(a.req.Pieces, int(a.n),
		VerifyOptions{Limit: maxDiffer, Source: a.req.Source})}
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

// progressEvery is how much data is written between two progress lines in the
// receipt: by hand, no source; after a power cut no more than that is written again.
const progressEvery = 256 << 20

func (a *applier) writeData() error {
	if err := a.begin(receipt.StageData); err != nil {
		return err
	}
	every := a.req.every
	if every == 0 {
		every = progressEvery
	}
	spans := disk.Spans(a.phase[0].Within(disk.Between(a.upto, a.req.Disk.Sectors)))
	err := a.put(spans, func(off, n int64) error {
		if a.fresh += n; a.fresh < every {
			return nil
		}
		a.fresh = 0
		// Flushed before the line: the receipt must not say more than the medium holds.
		if err := a.flush(); err != nil || a.req.Kind != receipt.Write {
			return err
		}
		return a.out.Stage(receipt.StageData, disk.Sector((off+n)/a.n))
	})
	if err != nil {
		return err
	}
	return a.flush()
}

func (a *applier) readBack() error {
	if err := a.begin(receipt.StageBack); err != nil {
		return err
	}
	return a.compare(a.phase[0])
}

func (a *applier) second() error { return a.putTables(receipt.StageSecond, a.phase[1]) }
func (a *applier) first() error  { return a.putTables(receipt.StageFirst, a.phase[2]) }

// putTables writes, flushes and reads back.
func (a *applier) putTables(s receipt.Stage, spans disk.Spans) error {
	if err := a.begin(s); err != nil {
		return err
	}
	return a.putProved(spans)
}

func (a *applier) putProved(spans disk.Spans) error {
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
	if err := a.begin(receipt.StageEarly); err != nil {
		return err
	}
	if err := a.compare(earlySectors(a.phase[0], int(a.n))); err != nil {
		return err
	}
	// A write that went to another place may have hit sector 0, which is to be blank still.
	return a.readBlank(common(a.fence, disk.NewSpans(disk.Span{Count: 1})))
}

// sector0 replaces the mark, and then makes the card a disk. If that fails the
// fence is raised again.
func (a *applier) sector0() error {
	if err := a.begin(receipt.StageSector0); err != nil {
		return err
	}
	// The place of the mark first: with sector 0 the card is a disk, and must be whole.
	if err := a.putProved(without(a.phase[3], disk.Span{Count: 1})); err != nil {
		return a.fenceAgain(err)
	}
	head := common(a.phase[3], disk.NewSpans(disk.Span{Count: 1}))
	if len(head) > 0 {
		// Before the write, not after: a part of it may make the card a disk already.
		a.fenced = false
	}
	err := a.putProved(head)
	if err == nil { // and the tables, in case sector 0 went to another place as well
		err = a.compare(a.phase[1].Union(a.phase[2]))
	}
	if err != nil {
		return a.fenceAgain(err)
	}
	return nil
}
