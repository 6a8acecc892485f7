package safety

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// served is a card as a real block device: FUSE below, loop(4) with direct I/O
// above.
func (b *bench) served(c *faultdev.Card) *blockdev.Target {
	b.Helper()
	return b.target(b.loop(faultdev.Serve(b, c), "--direct-io=on"))
}

// Cards that lie are found on a real block device as well, at the sizes that
// such cards are made in and at odd ones; an honest one is never accused. The
// cards are sold as 64 GB.
func TestQuickOnRealLiars(t *testing.T) {
	const n = 125_000_000
	for _, c := range []struct {
		lie   faultdev.Lie
		real  disk.Sector
		trick Trick
	}{
		{faultdev.Honest, n, Honest},
		{faultdev.Repeats, n / 2, Repeats}, {faultdev.Repeats, n / 4, Repeats}, {faultdev.Repeats, 1 << 24, Repeats}, {faultdev.Repeats, 15_523_841, Repeats},
		{faultdev.Forgets, n / 2, Forgets}, {faultdev.Forgets, 1 << 24, Forgets}, {faultdev.Noise, 15_523_841, Forgets},
	} {
		if testing.Short() && c.real != n && c.real != 15_523_841 {
			continue // one of each kind
		}
		t.Run(fmt.Sprintf("%d at %d", c.lie, c.real), func(t *testing.T) {
			b := newBench(t)
			card := faultdev.New(n, sector)
			card.Lie, card.Real = c.lie, c.real
			p := permitFor(t, b.served(card), testRequest(t, receipt.QuickTest, n, sector))
			start := time.Now()
			got, err := p.TestQuick(t.Context())
			do(t, err)
			if got.Trick != c.trick || c.trick == Repeats && got.Real%c.real != 0 || got.Written >= 1000 {
				t.Errorf("%+v", got)
			}
			t.Logf("%.1f s, %d sectors written: %+v", time.Since(start).Seconds(), got.Written, got)
		})
	}
}

// A write error of a real block device: told, with the sectors, and fenced.
// DA-AO-21 of the NIST DDA assertions, from memory: a write error is told.
func TestRealWriteError(t *testing.T) {
	const n = 16 << 20 / sector
	b := newBench(t)
	card := faultdev.New(n, sector)
	card.Put(0, patterned(3, n))
	target := b.served(card)
	m := wholeCopy(patterned(4, n))
	r, err := Rehearse(target, Request{Kind: receipt.Write, Disk: plan.Size{Sectors: n, SectorSize: sector}, Card: m, Pieces: m.pieces,
		Receipt: filepath.Join(b.dir, "receipt")})
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	failed := false
	p.req.Progress = func(s receipt.Stage, done, total int64) {
		if s == receipt.StageData && done > total/2 && !failed {
			failed = true
			card.FailWrite(1)
		}
	}
	_, err = p.Write(t.Context())
	stop, ok := err.(*Stopped)
	if !ok || stop.Stage != receipt.StageData || !stop.Fenced || stop.Gone() || image.FaultOf(stop) != image.BadSector {
		t.Fatalf("got %v", err)
	}
	b2 := content(t, card)
	mark := receipt.MarkSector(plan.Size{Sectors: disk.Sector(len(b2) / sector), SectorSize: sector})
	clear(b2[mark.Start*sector:][:sector]) // the fence is zeros but for the mark
	if !isFilled(b2[:plan.Edge], 0) || !isFilled(b2[len(b2)-plan.Edge:], 0) {
		t.Error("it is not fenced")
	}
	if card.Injected() != 1 {
		t.Errorf("%d faults", card.Injected())
	}
}
