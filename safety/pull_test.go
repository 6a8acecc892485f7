package safety

import (
	"bytes"
	"context"
	"fmt"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// halves does both halves of a quick test, with what happens between them. It
// ends after the first if that has a verdict.
func halves(t *testing.T, card *faultdev.Card, req Request, between func()) Capacity {
	t.Helper()
	req.Pull = true
	c, err := permitFor(t, card, req).TestQuick(context.Background())
	do(t, err)
	if c.Trick != Waits {
		return c
	}
	between()
	c, err = permitFor(t, card, req).TestQuick(context.Background())
	do(t, err)
	if !c.Pulled {
		t.Error("it does not say that it was without power")
	}
	return c
}

const memorySectors = 400_000 // 200 MB: stamps lie 400 KB apart

// memoryCards keep what was written last in a memory: 4 or 64 MiB of it.
func memoryCards() map[string]func() *faultdev.Card {
	out := map[string]func() *faultdev.Card{}
	sizes := []int64{4, 64}
	if testing.Short() {
		sizes = sizes[:1]
	}
	for _, mib := range sizes {
		for name, lie := range map[string]faultdev.Lie{"forgets": faultdev.Forgets, "repeats": faultdev.Repeats, "noise": faultdev.Noise} {
			out[fmt.Sprintf("%s, %d MiB", name, mib)] = func() *faultdev.Card {
				c := faultdev.New(memorySectors, sector)
				c.Lie, c.Real, c.Volatile = lie, memorySectors/4, mib<<20
				return c
			}
		}
		out[fmt.Sprintf("drops the last %d MiB", mib)] = func() *faultdev.Card {
			c := faultdev.New(memorySectors, sector)
			c.Volatile, c.Drops = mib<<20, true
			return c
		}
	}
	return out
}

// A card that keeps what was written last in a memory and has nothing below it
// passes the plain quick test, which says so of itself; pulled between two halves it is found. What it
// really holds is what it held before.
func TestPullFindsCardsWithAMemory(t *testing.T) {
	old := patterned(6, 90_000)
	for name, made := range memoryCards() {
		t.Run(name, func(t *testing.T) {
			card := made()
			card.Put(0, old)
			c, err := permitFor(t, card, testRequest(t, receipt.QuickTest, memorySectors, sector)).TestQuick(context.Background())
			do(t, err)
			if c.Trick != Honest && card.Lie != faultdev.Repeats {
				t.Fatalf("the plain test has no such blind spot any more: %+v", c)
			}
			card = made()
			card.Put(0, old)
			c = halves(t, card, testRequest(t, receipt.QuickTest, memorySectors, sector), card.Restart)
			if c.Trick == Honest || c.Trick == Waits {
				t.Errorf("%+v", c)
			}
			if c.Trick == Repeats && c.Real%(memorySectors/4) != 0 || c.Trick == Forgets && card.Lie != faultdev.Honest && (c.Real < memorySectors/4 || c.Real > memorySectors/4+2000) {
				t.Errorf("the wrong size: %+v", c)
			}
			card.Restart()
			if got := content(t, card)[:len(old)]; !bytes.Equal(got, old) {
				t.Error("what it held was not put back")
			}
		})
	}
}

// An honest card is not accused, and holds again what it held.
func TestPullOfAnHonestCard(t *testing.T) {
	const n = 30_000
	card := faultdev.New(n, sector)
	card.Put(0, patterned(6, n))
	before := content(t, card)
	c := halves(t, card, testRequest(t, receipt.QuickTest, n, sector), func() {
		if bytes.Equal(before, content(t, card)) {
			t.Error("no stamp was left on the card")
		}
		card.Restart()
	})
	if c.Trick != Honest || c.Real != n || !bytes.Equal(before, content(t, card)) || card.Written() >= 1000 {
		t.Errorf("%+v, %d sectors written", c, card.Written())
	}
}

// What came onto the card between the halves is not overwritten, and the card
// is not accused for it.
func TestPullTouchesNothingNew(t *testing.T) {
	const n = 30_000
	card := faultdev.New(n, sector)
	card.Put(0, patterned(6, n))
	req := testRequest(t, receipt.QuickTest, n, sector)
	grid, _ := quickGrid(req.Disk)
	before := content(t, card)
	recording := patterned(8, 300)
	at := grid[100] - 50
	c := halves(t, card, req, func() {
		card.Restart()
		card.Put(at, recording)
	})
	copy(before[at*sector:], recording)
	if c.Trick != Honest || !bytes.Equal(before, content(t, card)) {
		t.Errorf("%+v, or something else changed", c)
	}
}

// The second half is refused where the card had power all the time, on another
// card, and on one that forgot everything; nothing is written. Undo is refused
// on another card, and brings everything back on the right one.
func TestSecondHalfIsRefused(t *testing.T) {
	const n = 30_000
	card := faultdev.New(n, sector)
	card.Put(0, patterned(6, n))
	before := content(t, card)
	req := testRequest(t, receipt.QuickTest, n, sector)
	req.Pull = true
	c, err := permitFor(t, card, req).TestQuick(context.Background())
	do(t, err)
	if c.Trick != Waits {
		t.Fatalf("%+v", c)
	}
	refused := func(card *faultdev.Card, code disk.Code) {
		t.Helper()
		was := card.Written()
		r, err := Rehearse(card, req)
		do(t, err)
		if !r.Refusals.Has(code) || card.Written() != was {
			t.Errorf("%v", r.Refusals)
		}
	}
	refused(card, disk.CardNotPulled)
	other := func(content []byte) *faultdev.Card { // an equal card behind the same reader
		c := faultdev.New(n, sector)
		c.Put(0, content)
		c.Facts.Sequence += 5
		return c
	}
	recording := other(patterned(9, n))
	refused(recording, disk.ReceiptOther)
	refused(other(make([]byte, n*sector)), disk.ReceiptOther)
	smaller := faultdev.New(n-1, sector)
	req.Disk.Sectors--
	refused(smaller, disk.ReceiptOther)
	req.Disk.Sectors++
	if err := undo(recording, req.Receipt); err == nil || recording.Written() > 0 {
		t.Errorf("undo on another card: %v, %d sectors written", err, recording.Written())
	}
	card.Restart()
	do(t, undo(card, req.Receipt))
	if !bytes.Equal(before, content(t, card)) {
		t.Error("undo did not bring back what the card held")
	}
}

// Whatever fails in either half, nothing is lost: it is put back, or undo does
// it.
func TestPullFaults(t *testing.T) {
	const n = 3000
	old := patterned(9, n)
	for _, f := range []faultdev.Fault{faultdev.Fail, faultdev.Tear, faultdev.Cut, faultdev.Pull} {
		for at := 40; ; at += 157 {
			card := faultdev.New(n, sector)
			card.Put(0, old)
			req := testRequest(t, receipt.QuickTest, n, sector)
			req.Pull = true
			p := permitFor(t, card, req)
			card.Fault, card.At = f, len(card.Ops())+at
			c, err := p.TestQuick(context.Background())
			reached := card.Injected() > 0
			if err == nil && c.Trick == Waits {
				ops := len(card.Ops())
				left := card.At - ops
				card.Restart()
				r, err := Rehearse(card, req)
				do(t, err)
				p, err = r.Permit(r.Word.String())
				do(t, err)
				if !reached {
					card.At = len(card.Ops()) + left
				}
				_, err = p.TestQuick(context.Background())
				if reached = card.Injected() > 0; err == nil && reached {
					t.Fatalf("nobody heard of %s at %d", f, at)
				}
			}
			card.Restart()
			if !bytes.Equal(content(t, card), old) {
				do(t, undo(card, req.Receipt))
			}
			if !bytes.Equal(content(t, card), old) {
				t.Fatalf("lost: %s at %d", f, at)
			}
			if !reached {
				break
			}
		}
	}
}

// What a full test leaves behind is no content that anybody would be asked
// about; one changed sector of it is.
func TestNoiseOfATestIsNothing(t *testing.T) {
	const n = 10_000
	card := faultdev.New(n, sector)
	_, err := permitFor(t, card, testRequest(t, receipt.FullTest, n, sector)).TestFull(context.Background())
	do(t, err)
	look := func() (disk.Sector, disk.Sector) {
		l := LookThrough(card)
		_, err := l.Ends()
		do(t, err)
		return l.Used(nil, nil)
	}
	if used, first := look(); used != 0 {
		t.Errorf("%d sectors in use, the first is %d", used, first)
	}
	sample := disk.Sector(n / (spread + 1) * 40)
	card.Put(sample, patterned(3, 1))
	if used, first := look(); used != 1 || first != sample {
		t.Errorf("%d sectors in use, the first is %d", used, first)
	}
}
