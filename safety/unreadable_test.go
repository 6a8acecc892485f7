package safety

import (
	"bytes"
	"fmt"
	"path/filepath"
	"testing"

	"bootgraft/layout"
	"bootgraft/safety/faultdev"
)

// A sector that cannot be read stops neither test, wherever it lies: the quick
// one says that it is there, touches it not, and puts everything else back; the
// full one counts it as bad. No write and no undo begins on such a card, and the
// refusal names the sector. Sectors of 512 bytes.
func TestABadSectorStopsNoTest(t *testing.T) {
	const n = 30_000
	req := testRequest(t, QuickTest, n, sector)
	grid, gap := quickGrid(req.Disk)
	held := patterned(6, n)
	for name, at := range map[string]layout.Sector{"sector 0": 0, "the first end": 100, "the mark": markSector(req.Disk).Start,
		"the first stamp": grid[0], "a stamp": grid[200], "a sample": n / (spread + 1) * 30,
		"the last stretch": n - gap/2, "the last sector": n - 1} {
		t.Run(name, func(t *testing.T) {
			card := faultdev.New(n, sector)
			card.Put(0, held)
			card.Bad = layout.Span{Start: at, Count: 1}
			dir := t.TempDir()
			quick, full, write := testRequest(t, QuickTest, n, sector), testRequest(t, FullTest, n, sector), wholeCopy(patterned(8, n))
			c, err := permitFor(t, card, quick).TestQuick(t.Context())
			do(t, err)
			if c.Trick != Honest || c.Real != n || !bytes.Equal(content(t, card), held) {
				t.Errorf("%+v, or something changed", c)
			}
			if seen := name != "a sample"; seen != (c.Unread == 1) {
				t.Errorf("%d sectors could not be read", c.Unread)
			}
			card.Bad = layout.Span{}
			kept := Request{Kind: Write, Digest: "plan", Disk: quick.Disk, Card: write, Pieces: write.pieces, Receipt: filepath.Join(dir, "first"), KeepAll: true}
			if seen := name != "a stamp" && name != "the first stamp"; seen {
				card.Bad = layout.Span{Start: at, Count: 1}
				r, err := Rehearse(card, kept)
				do(t, err)
				if !r.Refusals.Has(TargetUnreadable) && name != "the last stretch" || name != "the last stretch" && !bytes.Contains([]byte(r.Refusals.Error()), fmt.Appendf(nil, "the first is sector %d", at)) {
					t.Errorf("a write: %v", r.Refusals)
				}
				card.Bad = layout.Span{}
			}
			card.Bad = layout.Span{Start: at, Count: 1}
			c, err = permitFor(t, card, full).TestFull(t.Context())
			do(t, err)
			if c.Bad != 1 || c.Real != at {
				t.Errorf("the full test: %+v", c)
			}
		})
	}
}

// Both halves of a quick test leave a place out that the first could not read.
func TestABadSectorInBothHalves(t *testing.T) {
	const n = 30_000
	grid, _ := quickGrid(testRequest(t, QuickTest, n, sector).Disk)
	card := faultdev.New(n, sector)
	card.Put(0, patterned(6, n))
	before := content(t, card)
	card.Bad = layout.Span{Start: grid[7], Count: 1}
	c := halves(t, card, testRequest(t, QuickTest, n, sector), card.Restart)
	if c.Trick != Honest || c.Unread != 1 || !bytes.Equal(content(t, card), before) {
		t.Errorf("%+v, or something changed", c)
	}
}
