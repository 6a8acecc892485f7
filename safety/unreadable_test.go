package safety

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// A sector that cannot be read stops neither test, wherever it lies: the quick
// one says that it is there, touches it not, and puts everything else back; the
// full one counts it as bad. No write begins on a card on which it lies in an
// end or a sample, and the refusal names it.
func TestABadSectorStopsNoTest(t *testing.T) {
	const n = 30_000
	quick := testRequest(t, receipt.QuickTest, n, sector)
	grid, gap := quickGrid(quick.Disk)
	held, write := patterned(6, n), wholeCopy(patterned(8, n))
	for _, c := range []struct {
		name           string
		at             disk.Sector
		seen, refusing bool // by the quick test; the write
	}{
		{"sector 0", 0, true, true}, {"the first end", 100, true, true}, {"the mark", receipt.MarkSector(quick.Disk).Start, true, true},
		{"the first stamp", grid[0], true, false}, {"a stamp", grid[200], true, false},
		{"a sample", n / (spread + 1) * 30, false, true}, {"the last stretch", n - gap/2, true, true}, {"the last sector", n - 1, true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			card := faultdev.New(n, sector)
			card.Put(0, held)
			card.Bad = disk.Span{Start: c.at, Count: 1}
			got, err := permitFor(t, card, testRequest(t, receipt.QuickTest, n, sector)).TestQuick(t.Context())
			do(t, err)
			if got.Trick != Honest || got.Real != n || (got.Unread == 1) != c.seen || !bytes.Equal(content(t, card), held) {
				t.Errorf("%+v, or something changed", got)
			}
			if c.refusing {
				r, err := Rehearse(card, Request{Kind: receipt.Write, Digest: "plan", Disk: quick.Disk, Card: write, Pieces: write.pieces,
					Receipt: filepath.Join(t.TempDir(), "receipt")})
				do(t, err)
				if !r.Refusals.Has(disk.TargetUnreadable) || !strings.Contains(r.Refusals.Error(), fmt.Sprintf("the first is sector %s;", disk.Grouped(c.at))) {
					t.Errorf("a write: %v", r.Refusals)
				}
			}
			got, err = permitFor(t, card, testRequest(t, receipt.FullTest, n, sector)).TestFull(t.Context())
			do(t, err)
			if got.Bad != 1 || got.Real != c.at {
				t.Errorf("the full test: %+v", got)
			}
		})
	}
}

// Both halves of a quick test leave a place out that the first could not read.
func TestABadSectorInBothHalves(t *testing.T) {
	const n = 30_000
	grid, _ := quickGrid(testRequest(t, receipt.QuickTest, n, sector).Disk)
	card := faultdev.New(n, sector)
	card.Put(0, patterned(6, n))
	before := content(t, card)
	card.Bad = disk.Span{Start: grid[7], Count: 1}
	c := halves(t, card, testRequest(t, receipt.QuickTest, n, sector), card.Restart)
	if c.Trick != Honest || c.Unread != 1 || !bytes.Equal(content(t, card), before) {
		t.Errorf("%+v, or something changed", c)
	}
}
