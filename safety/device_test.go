package safety

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"bootgraft/image"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/faultdev"
)

// The card of these tests: both ends and something between, in large sectors
// to be quick.
const (
	large       = 4096
	cardSectors = 3*256 + 7
)

// deviceModel is a planned card with every provenance and every rank.
func deviceModel() *model {
	b := patterned(3, cardSectors*large/sector)
	left := layout.Span{Start: 400, Count: 50}
	zero := layout.Span{Start: 470, Count: 20}
	clear(b[zero.Start*large : zero.End()*large])
	m := &model{file: b}
	at := layout.Sector(0)
	add := func(n layout.Sector, op layout.Op, rank layout.Rank) {
		m.pieces = append(m.pieces, layout.Piece{Span: layout.Span{Start: at, Count: n}, Op: op, Rank: rank, Why: layout.WhyUnchanged})
		at += n
	}
	add(1, layout.Copy, layout.RankSector0)
	add(62, layout.Copy, layout.RankData)
	add(8, layout.Copy, layout.RankFirst)
	add(8, layout.Copy, layout.RankSecond)
	add(300-at, layout.Copy, layout.RankData)
	add(3, layout.Copy, layout.RankFirst)
	add(left.Start-at, layout.Copy, layout.RankData)
	add(left.Count, layout.Leave, layout.RankData)
	add(zero.Start-at, layout.Copy, layout.RankData)
	add(zero.Count, layout.Zero, layout.RankData)
	add(cardSectors-33-at, layout.Copy, layout.RankData)
	add(33, layout.Copy, layout.RankSecond)
	m.Source = image.NewKnown(imagetest.NewBytes(b, large), layout.NewSpans(left), nil)
	return m
}

var oldContent = sync.OnceValue(func() []byte { return patterned(77, cardSectors*large/sector) })

// usedCard is a card that holds something else.
func usedCard() (*faultdev.Card, []byte) {
	old := oldContent()
	c := faultdev.New(cardSectors, large)
	c.Put(0, old)
	return c, old
}

func writeRequest(m *model, receipt string) Request {
	return Request{Kind: Write, Digest: strings.Repeat("ab", 32), Disk: plan.Disk{Sectors: cardSectors, SectorSize: large},
		Card: m, Pieces: m.pieces, Receipt: receipt, Tables: layout.NewSpans(layout.Span{Start: 350, Count: 4}, layout.Span{Start: 415, Count: 3})}
}

// perform rehearses and does what the request says.
func perform(dev Device, req Request) (DeviceResult, error) {
	r, err := Rehearse(dev, req)
	if err != nil {
		return DeviceResult{}, err
	}
	p, err := r.Permit(r.Word.String())
	if err != nil {
		return DeviceResult{}, err
	}
	return p.Write(context.Background())
}

func undo(dev Device, receipt string) error {
	req, kept, err := UndoRequest(receipt)
	if err != nil {
		return err
	}
	defer kept.Close()
	_, err = perform(dev, req)
	return err
}

// content returns what the medium holds.
func content(t *testing.T, c *faultdev.Card) []byte {
	t.Helper()
	b := make([]byte, c.Size())
	do(t, image.ReadFull(c.Medium(), b, 0))
	return b
}

// state tells a card that is old, new or no disk from one that is in between.
func state(t *testing.T, c *faultdev.Card, m *model, old []byte) string {
	t.Helper()
	b := content(t, c)
	if bytes.Equal(b, old) {
		return "old"
	}
	isNew := true
	for _, p := range m.pieces {
		from, to := p.Start*large, p.End()*large
		want := m.file[from:to]
		if p.Op == layout.Leave {
			want = old[from:to]
		}
		same := bytes.Equal(b[from:to], want)
		if p.Op == layout.Leave && !same {
			return "changed where the plan does not touch it"
		}
		isNew = isNew && same
	}
	switch {
	case isNew:
		return "new"
	case isFilled(b[:large], 0):
		return "no disk"
	}
	return "in between"
}

func TestDeviceWriteAndUndo(t *testing.T) {
	m := deviceModel()
	for _, all := range []bool{false, true} {
		card, old := usedCard()
		receipt := filepath.Join(t.TempDir(), "card.receipt")
		req := writeRequest(m, receipt)
		req.KeepAll = all
		res, err := perform(card, req)
		do(t, err)
		if s := state(t, card, m, old); s != "new" {
			t.Fatalf("after a write the card is %s", s)
		}
		if res.Written != cardSectors-50 || res.Left != 50 || res.Continued {
			t.Errorf("%+v", res)
		}
		err = undo(card, receipt)
		var r *Refusal
		switch {
		case all && err != nil:
			t.Error(err)
		case all:
			if s := state(t, card, m, old); s != "old" {
				t.Errorf("after the undo the card is %s", s)
			}
			if err := undo(card, receipt); !errors.As(err, &r) || r.Code != NotUndoable {
				t.Errorf("undone twice: %v", err)
			}
		case !errors.As(err, &r) || r.Code != NotUndoable:
			t.Errorf("old tables over new data: %v", err)
		default:
			if s := state(t, card, m, old); s != "new" {
				t.Errorf("a refused undo left the card %s", s)
			}
		}
		if _, err := perform(card, req); !errors.As(err, &r) || r.Code != ReceiptExists {
			t.Errorf("the receipt of finished work: %v", err)
		}
	}
}

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

// stride is how many operations to go on: by one in the long run and for power
// cuts, otherwise by steps that are different for each fault. The first
// operations only read, for the rehearsal.
func stride(f faultdev.Fault, at int) int {
	switch {
	case need.Long():
		return 1
	case at < 60:
		return 19
	case testing.Short():
		return 7 + int(f)
	case f == faultdev.Cut:
		return 1
	}
	return 3 + int(f)%2
}

// sweepAt tells whether there is an operation at.
func sweepAt(t *testing.T, m *model, f faultdev.Fault, at int, seed uint64, seen map[string]int) bool {
	t.Helper()
	card, old := usedCard()
	card.Fault, card.At, card.Seed = f, at, seed
	receipt := filepath.Join(t.TempDir(), "card.receipt")
	req := writeRequest(m, receipt)
	req.KeepAll = at%2 == 0
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
	r, err := ReadReceipt(req.Receipt)
	if err == nil && r.Undoable() && at/2%2 == 0 {
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
