package safety

import (
	"errors"
	"fmt"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// Every operation fails in every way. Whatever happens, the card is old, new,
// or plainly no disk; no fault that did harm is passed over in silence; and
// both the same write and, where it may be, the undo bring it to an end.
func TestDeviceFaultSweep(t *testing.T) {
	m := deviceModel()
	for _, f := range faultdev.Faults() {
		t.Run(f.String(), func(t *testing.T) {
			t.Parallel()
			seen := map[string]int{}
			for _, seed := range need.Seeds(1, 12) {
				for at := 1; sweepAt(t, m, f, at, uint64(seed), seen); at += stride(f, at) {
				}
			}
			t.Log(seen)
		})
	}
}

// stride is how many operations to go on: by one in the long run, otherwise
// by steps that are different for each fault, the shortest for power cuts. The first
// operations only read, for the rehearsal.
func stride(f faultdev.Fault, at int) int {
	switch {
	case need.Long():
		return 1
	case at < 60:
		return 19
	case testing.Short():
		return 41 + int(f)
	case f == faultdev.Cut:
		return 5
	}
	return 11 + int(f)
}

// sweepAt tells whether there is an operation at.
func sweepAt(t *testing.T, m *model, f faultdev.Fault, at int, seed uint64, seen map[string]int) bool {
	t.Helper()
	card, old := usedCard()
	card.Fault, card.At, card.Seed = f, at, seed
	receiptPath := filepath.Join(t.TempDir(), "card.receipt")
	req := writeRequest(m, receiptPath)
	req.KeepAll, req.every = at%2 == 0, int64(at%3) // 1: a progress line at every step
	_, err := perform(card, req)
	ops := card.Ops()
	if len(ops) < at {
		do(t, err)
		return false
	}
	what := fmt.Sprintf("%s at operation %d (%s): %v", f, at, ops[at-1], err)
	if err == nil && card.Injected() > 0 && !harmless(f, ops, at) {
		t.Fatalf("nobody heard: %s", what)
	}
	card.Restart()
	s := state(t, card, m, old)
	seen[s]++
	checkState(t, what, s, err)
	if err == nil {
		return true
	}
	finish(t, card, m, req, old, what, s, at)
	return true
}

// harmless tells whether a fault has no effect by its nature: what comes after
// the last look is not seen by the guards, and a bit that is wrong only in
// what is compared with nothing does no harm to the card.
func harmless(f faultdev.Fault, ops []string, at int) bool {
	if f == faultdev.Others {
		return !beforeLook(ops, at)
	}
	return f == faultdev.Flip && ops[at-1] == "read" && beforeLook(ops, at)
}

// beforeLook tells whether an operation comes before the last look, or is it:
// what is read there goes into the word and the receipt.
func beforeLook(ops []string, at int) bool {
	for _, op := range ops[at-1:] {
		if op == "look" {
			return true
		}
	}
	return false
}

func checkState(t *testing.T, what, s string, err error) {
	t.Helper()
	var stop *Stopped
	errors.As(err, &stop)
	switch {
	case s != "old" && s != "new" && s != "no disk":
		t.Fatalf("the card is %s: %s", s, what)
	case err == nil && s != "new":
		t.Fatalf("all is well, they say, and the card is %s: %s", s, what)
	case err != nil && (stop == nil || !stop.Touched) && s != "old":
		t.Fatalf("nothing was written, they say, and the card is %s: %s", s, what)
	case stop != nil && stop.Fenced && s != "no disk":
		t.Fatalf("it is fenced, they say, and it is %s: %s", s, what)
	}
}

// finish ends what was stopped: by undo on one card, by the same write on another.
func finish(t *testing.T, card *faultdev.Card, m *model, req Request, old []byte, what, was string, at int) {
	t.Helper()
	r, err := receipt.Read(req.Receipt)
	if err == nil && undoable(r) && at/2%2 == 0 {
		do(t, undo(card, req.Receipt))
		if s := state(t, card, m, old); s != "old" {
			t.Fatalf("after the undo the card, %s before, is %s: %s", was, s, what)
		}
		return
	}
	if _, err := perform(card, req); err != nil {
		t.Fatalf("the same write again (card %s): %v\nafter %s", was, err, what)
	}
	if s := state(t, card, m, old); s != "new" {
		t.Fatalf("after the same write again the card is %s: %s", s, what)
	}
}

// After "done" nothing is left in the cache of the card.
func TestCutAfterDone(t *testing.T) {
	m := deviceModel()
	card, old := usedCard()
	_, err := perform(card, writeRequest(m, filepath.Join(t.TempDir(), "r")))
	do(t, err)
	card.At, card.Fault = len(card.Ops())+1, faultdev.Cut
	if _, err := card.ReadAt(make([]byte, large), 0); !faultdev.IsGone(err) {
		t.Fatalf("no cut: %v", err)
	}
	if s := state(t, card, m, old); s != "new" {
		t.Errorf("the card is %s", s)
	}
}

// ordered is a card whose sector 0 has to be blank on the medium before the mark
// is written: the order in which a cache gets to the medium is the card's own.
type ordered struct {
	*faultdev.Card
	t     *testing.T
	marks int
}

func (o *ordered) WriteAt(p []byte, off int64) (int, error) {
	if _, ok := receipt.MarkIn(p); ok {
		o.marks++
		b := make([]byte, o.SectorSize())
		do(o.t, image.ReadFull(o.Medium(), b, 0))
		if !isFilled(b, 0) {
			o.t.Errorf("mark %d is written while sector 0 is not blank on the medium", o.marks)
		}
	}
	return o.Card.WriteAt(p, off)
}

func TestSector0IsBlankBeforeTheMark(t *testing.T) {
	card, old := usedCard()
	o := &ordered{Card: card, t: t}
	req := writeRequest(deviceModel(), filepath.Join(t.TempDir(), "card.receipt"))
	req.KeepAll = true
	_, err := perform(o, req)
	do(t, err)
	do(t, undo(o, req.Receipt))
	if o.marks != 2 || state(t, card, deviceModel(), old) != "old" {
		t.Errorf("%d marks were written, by a write and its undo", o.marks)
	}
}
