package safety

import (
	"bytes"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/receipt"
)

// The quick test in two halves. Some cards keep the last megabytes that were
// written in a memory that needs power: in one go they give back all of it. So
// the first half leaves its stamps on the card, the card is pulled, which takes
// its power away, and the second half looks what is left of them. What the
// stamps replaced is in the receipt all the time, and undo brings it back at
// any moment.

// Remains is what lies today at the places that a quick test stamped.
type Remains struct {
	Stamped int // a stamp of this test, whether it belongs there or not
	Old     int // what was there before, where that was not blank
	Blank   int // what was there before, and that was blank
	Else    int
}

// RemainsOf compares a card with the receipt of a quick test.
func RemainsOf(r *receipt.Receipt, dev image.Source) (m Remains, err error) {
	k, err := r.Open()
	if err != nil {
		return m, err
	}
	defer k.Close()
	old, now := make([]byte, r.Card.SectorSize), make([]byte, r.Card.SectorSize)
	for _, span := range r.Kept {
		for s := span.Start; s < span.End(); s++ {
			at := int64(s) * int64(len(now))
			if err := image.ReadFull(k, old, at); err != nil {
				return m, err
			}
			if err := image.ReadFull(dev, now, at); err != nil {
				return m, err
			}
			_, stamped := stampOf(now, r.Mark[:])
			switch {
			case stamped:
				m.Stamped++
			case !bytes.Equal(old, now):
				m.Else++
			case isFilled(old, old[0]):
				m.Blank++
			default:
				m.Old++
			}
		}
	}
	return m, nil
}

// secondHalf looks whether the receipt is of a first half, and this the same
// card after it was without power.
func (r *Rehearsal) secondHalf(old *receipt.Receipt, x *examined) (*Refusal, error) {
	if x.head == nil { // it cannot be read, for which there is a refusal
		return nil, nil
	}
	no, err := cardOf{old}.notPulled(r.dev, x)
	if no == nil && err == nil {
		r.Receipt = old
	}
	return no, err
}

// notPulled says why this is not the card of a first half after it was without
// power, or nothing. Its own stamps prove it; a card that forgets all of them is
// known by what they replaced.
func (r cardOf) notPulled(dev image.Source, x *examined) (*Refusal, error) {
	refusal := func(code disk.Code, do, why string) (*Refusal, error) {
		return &Refusal{Code: code, Path: x.Path, Why: why, Do: do}, nil
	}
	switch {
	case !r.Same(x.Facts):
		return refusal(disk.ReceiptOther, "put in the card of that receipt, or begin another test with a new --receipt",
			fmt.Sprintf("the first half of the test in %s was on another card: %s", r.Path, r.Card))
	case x.Sequence != 0 && x.Sequence == r.Sequence:
		return refusal(disk.CardNotPulled, "pull the card out of its reader, wait ten seconds, put it back in, and type "+
			"the same line",
			"it was not pulled since the first half of the test: as long as it has power its memory may answer for it")
	}
	m, err := RemainsOf(r.Receipt, dev)
	if err != nil {
		return nil, err
	}
	if m.Stamped == 0 && (m.Old == 0 || m.Else > 0) {
		return refusal(disk.ReceiptOther,
			"put in the card that was tested, or test this one with a new --receipt; if it is the same one, "+
				"it forgets all that is written to it: do not use it",
			fmt.Sprintf("none of the %d stamps of the first half is on it, and nothing shows that it is the same card",
				r.Kept.Sectors()))
	}
	return nil, nil
}

// secondRun looks what is left of the stamps of the first half, and puts back
// what they replaced, wherever one of them lies. What else came there since is
// not touched.
func (t *tester) secondRun() (c Capacity, err error) {
	t.stage = receipt.StageKeep
	if err := t.continueReceipt(); err != nil {
		return c, err
	}
	defer func() {
		if e := t.out.File.Close(); err == nil {
			err = e
		}
	}()
	t.nonce = t.receipt.Mark
	if err := t.readKept(); err != nil {
		return c, err
	}
	if err := t.lookAgain(); err != nil {
		return c, err
	}
	if err := t.judgeStamps(); err != nil {
		return c, err
	}
	if err := t.readEnd(); err != nil {
		return c, err
	}
	if err := t.begin(receipt.StageBack); err != nil {
		return c, err
	}
	if err := t.restore(); err != nil {
		return c, t.notRestored(err)
	}
	t.restored = true
	c = t.verdict()
	c.Pulled = true
	return c, t.out.Stage(receipt.StageDone, 0)
}

// readKept takes what the first half replaced from its receipt.
func (t *tester) readKept() error {
	k, err := t.receipt.Open()
	if err != nil {
		return err
	}
	defer k.Close()
	var grid []disk.Sector // but for places that the first half could not read
	for _, s := range t.receipt.Kept {
		for at := s.Start; at < s.End(); at++ {
			grid = append(grid, at)
		}
	}
	if len(grid) == 0 || len(without(t.receipt.Kept, gridSpans(t.grid)...)) > 0 {
		return fmt.Errorf("%s does not keep the sectors that this test writes", t.receipt.Path)
	}
	t.unread = without(gridSpans(t.grid), t.receipt.Kept...)
	t.setGrid(grid)
	t.old = make([]byte, len(t.grid)*int(t.n))
	for i, s := range t.grid {
		if err := image.ReadFull(k, t.place(t.old, i), int64(s)*t.n); err != nil {
			return err
		}
	}
	return nil
}

// judgeStamps reads every place that was stamped, and leaves those alone that
// hold no stamp of this test. A place that holds something new, below one that
// has its stamp, was written since: a card that forgets does so from its real
// size on.
func (t *tester) judgeStamps() error {
	b, want := make([]byte, t.n), make([]byte, t.n)
	t.leave = map[disk.Sector]bool{}
	var since []disk.Sector // hold something new, above the last place that has its stamp
	for i, s := range t.grid {
		if err := image.ReadFull(t.dev, b, int64(s)*t.n); err != nil {
			return err
		}
		t.step(i)
		if t.stamp(want, s); bytes.Equal(b, want) {
			since = nil
			continue
		}
		_, stamped := stampOf(b, t.nonce[:])
		if t.leave[s] = !stamped; !stamped && !bytes.Equal(b, t.place(t.old, i)) {
			since = append(since, s)
			continue
		}
		t.bad = append(t.bad, s)
		t.note(b, s)
	}
	t.bad = append(t.bad, since...)
	slices.Sort(t.bad)
	return nil
}
