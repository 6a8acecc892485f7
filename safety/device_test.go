package safety

import (
	"bytes"
	"context"
	"errors"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
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
	left := disk.Span{Start: 400, Count: 50}
	zero := disk.Span{Start: 470, Count: 20}
	clear(b[zero.Start*large : zero.End()*large])
	m := &model{file: b}
	at := disk.Sector(0)
	add := func(n disk.Sector, op layout.Op, rank layout.Rank) {
		m.pieces = append(m.pieces, layout.Piece{Span: disk.Span{Start: at, Count: n}, Op: op, Rank: rank, Why: layout.WhyUnchanged})
		at += n
	}
	add(1, layout.Copy, layout.RankSector0)
	add(62, layout.Copy, layout.RankData)
	add(8, layout.Copy, layout.RankFirst)
	add(8, layout.Copy, layout.RankCopy)
	add(300-at, layout.Copy, layout.RankData)
	add(3, layout.Copy, layout.RankFirst)
	add(left.Start-at, layout.Copy, layout.RankData)
	add(left.Count, layout.Leave, layout.RankData)
	add(zero.Start-at, layout.Copy, layout.RankData)
	add(zero.Count, layout.Zero, layout.RankData)
	add(cardSectors-33-at, layout.Copy, layout.RankData)
	add(33, layout.Copy, layout.RankCopy)
	m.Source = image.NewKnown(imagetest.NewBytes(b, large), disk.NewSpans(left), nil)
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

func writeRequest(m *model, receiptPath string) Request {
	return Request{Kind: receipt.Write, Digest: strings.Repeat("ab", 32), Disk: plan.Size{Sectors: cardSectors, SectorSize: large},
		Card: m, Pieces: m.pieces, Receipt: receiptPath, Tables: disk.NewSpans(disk.Span{Start: 350, Count: 4}, disk.Span{Start: 415, Count: 3})}
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

func undo(dev Device, receiptPath string) error {
	req, kept, err := UndoRequest(receiptPath)
	if err != nil {
		return err
	}
	defer kept.Close()
	_, err = perform(dev, req)
	return err
}

// undoable tells whether an undo should bring back what the card held.
func undoable(r *receipt.Receipt) bool { return !r.Untouched() && r.Suffices() }

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
		receiptPath := filepath.Join(t.TempDir(), "card.receipt")
		req := writeRequest(m, receiptPath)
		req.KeepAll = all
		res, err := perform(card, req)
		do(t, err)
		if s := state(t, card, m, old); s != "new" {
			t.Fatalf("after a write the card is %s", s)
		}
		if res.Written != cardSectors-50 || res.Left != 50 || res.Continued {
			t.Errorf("%+v", res)
		}
		err = undo(card, receiptPath)
		var r *Refusal
		switch {
		case all && err != nil:
			t.Error(err)
		case all:
			if s := state(t, card, m, old); s != "old" {
				t.Errorf("after the undo the card is %s", s)
			}
			if err := undo(card, receiptPath); !errors.As(err, &r) || r.Code != disk.NotUndoable {
				t.Errorf("undone twice: %v", err)
			}
		case !errors.As(err, &r) || r.Code != disk.NotUndoable:
			t.Errorf("old tables over new data: %v", err)
		default:
			if s := state(t, card, m, old); s != "new" {
				t.Errorf("a refused undo left the card %s", s)
			}
		}
		if _, err := perform(card, req); !errors.As(err, &r) || r.Code != disk.ReceiptExists {
			t.Errorf("the receipt of finished work: %v", err)
		}
	}
}

// A write that was stopped goes on from its last mark: what lies before is not
// written again, and everything is compared at the end.
func TestContinueFromMark(t *testing.T) {
	const n = 8 * 256 // 8 MiB
	m := wholeCopy(patterned(6, n*large/sector))
	m.Source = imagetest.NewBytes(m.file, large)
	m.pieces = []layout.Piece{{Span: disk.Span{Count: n}, Op: layout.Copy, Why: layout.WhyUnchanged}}
	req := writeRequest(m, filepath.Join(t.TempDir(), "receipt"))
	req.Disk.Sectors, req.Tables, req.every = n, nil, 1<<20
	card := faultdev.New(n, large)
	r, err := Rehearse(card, req)
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	writes := 0
	ctx, stop := context.WithCancel(context.Background())
	p.req.Progress = func(s receipt.Stage, _, _ int64) {
		if s == receipt.StageData {
			if writes++; writes == 4 {
				stop()
			}
		}
	}
	_, err = p.Write(ctx)
	var s *Stopped
	if !errors.As(err, &s) || !s.Fenced || s.Stage != receipt.StageData || !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	old, err := receipt.Read(req.Receipt)
	do(t, err)
	if old.Upto < 4*256 || undoable(old) || old.Finished() {
		t.Errorf("%+v", old)
	}
	card.Restart()
	before := card.Written()
	res, err := perform(card, req)
	do(t, err)
	if !res.Continued || !bytes.Equal(content(t, card), m.file) {
		t.Errorf("%+v, or another content", res)
	}
	if again, most := card.Written()-before, n-256-int(old.Upto)+4*256+1; again > most { // both ends twice: blank, then written
		t.Errorf("%d sectors written again, of %d, with a mark at %d", again, n, old.Upto)
	}
}

// pulledInData is a used card that was pulled while data was written to it.
func pulledInData(t *testing.T, m *model) (*faultdev.Card, Request) {
	t.Helper()
	for at := 120; ; at += 40 {
		card, _ := usedCard()
		card.Fault, card.At = faultdev.Pull, at
		req := writeRequest(m, filepath.Join(t.TempDir(), "receipt"))
		_, err := perform(card, req)
		if !faultdev.IsGone(err) {
			t.Fatalf("not pulled at operation %d: %v", at, err)
		}
		if r, err := receipt.Read(req.Receipt); err == nil && r.Stage == receipt.StageData {
			return card, req
		}
	}
}

// Another card, another plan, or a card that was used since: not continued.
func TestContinueRefused(t *testing.T) {
	m := deviceModel()
	for _, c := range []struct {
		code   disk.Code
		change func(card *faultdev.Card, req *Request)
	}{
		{disk.ReceiptOther, func(card *faultdev.Card, _ *Request) { card.Facts.Identity.Serial = "0043" }},
		{disk.ReceiptOther, func(_ *faultdev.Card, req *Request) { req.Digest = "other" }},
		{disk.TargetChanged, func(card *faultdev.Card, _ *Request) { card.Put(0, patterned(5, large/sector)) }},
		{disk.ReceiptExists, func(_ *faultdev.Card, req *Request) { req.Kind = receipt.QuickTest }},
	} {
		card, req := pulledInData(t, m)
		card.Restart()
		c.change(card, &req)
		before := content(t, card)
		_, err := perform(card, req)
		var r *Refusal
		if !errors.As(err, &r) || r.Code != c.code {
			t.Errorf("want %s, got %v", c.code, err)
		}
		if !bytes.Equal(before, content(t, card)) {
			t.Error("refused, and yet the card changed")
		}
	}
}

// A permit is for one thing, once.
func TestPermitOnce(t *testing.T) {
	m := deviceModel()
	card, _ := usedCard()
	r, err := Rehearse(card, writeRequest(m, filepath.Join(t.TempDir(), "receipt")))
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	if _, err := p.TestQuick(context.Background()); err == nil {
		t.Error("a permit to write was used for a test")
	}
	if _, err := p.Write(context.Background()); err != nil {
		t.Error(err)
	}
	if _, err := p.Write(context.Background()); err == nil {
		t.Error("a permit was used twice")
	}
}
