package safety

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// cutBehindSeal takes away every line behind the seal, as a disk does that lies about its
// flush, or a stick that is pulled: by what is left nothing was written.
func cutBehindSeal(t *testing.T, path string) {
	t.Helper()
	text, err := os.ReadFile(path)
	do(t, err)
	seal := bytes.LastIndex(text, []byte(`{"sealed":`))
	put(t, path, text[:seal+bytes.IndexByte(text[seal:], '\n')+1])
	r, err := receipt.Read(path)
	do(t, err)
	if !r.Untouched() || r.Digest == "" {
		t.Fatalf("the receipt is at %s, %q", r.Proof, r.Digest)
	}
}

// stoppedInData is a used card that was pulled while data was written to it.
func stoppedInData(t *testing.T, m *model, keepAll bool) (*faultdev.Card, Request, []byte) {
	t.Helper()
	for at := 120; ; at += 40 {
		card, old := usedCard()
		req := often(m, t, keepAll)
		if !stopAt(t, card, req, faultdev.Pull, at) {
			t.Fatal("it came to its end")
		}
		if r, err := receipt.Read(req.Receipt); err == nil && r.Stage == receipt.StageData {
			return card, req, old
		}
	}
}

// A receipt whose end was lost says that nothing was written to its card. The card, which
// bears its mark, says otherwise, and what was kept is the only way back: the work goes on,
// and is undone from it.
func TestAReceiptThatLostItsEndIsNotEmptied(t *testing.T) {
	m := deviceModel()
	card, req, old := stoppedInData(t, m, true)
	cutBehindSeal(t, req.Receipt)
	do(t, undo(card, req.Receipt))
	if s := state(t, card, m, old); s != "old" {
		t.Errorf("after undo the card is %s", s)
	}

	card, req, old = stoppedInData(t, m, true)
	cutBehindSeal(t, req.Receipt)
	_, err := perform(card, req)
	do(t, err)
	if s := state(t, card, m, old); s != "new" {
		t.Errorf("after the same command the card is %s", s)
	}
	do(t, undo(card, req.Receipt))
	if s := state(t, card, m, old); s != "old" {
		t.Errorf("after the same command and undo the card is %s", s)
	}

	// Whether data was written nobody knows: tables alone are not put back.
	card, req, _ = stoppedInData(t, m, false)
	cutBehindSeal(t, req.Receipt)
	var no *Refusal
	if err := undo(card, req.Receipt); !errors.As(err, &no) || no.Code != disk.NotUndoable {
		t.Errorf("undo of tables alone: %v", err)
	}
	_, err = perform(card, req)
	do(t, err)
}

// The same where the end that was lost holds a part of what was kept: nothing is put back
// of it, and nothing is made of it either.
func TestAReceiptThatLostItsKeptContentStays(t *testing.T) {
	card, req, _ := stoppedInData(t, deviceModel(), true)
	text, err := os.ReadFile(req.Receipt)
	do(t, err)
	torn := text[:bytes.LastIndex(text, []byte(`{"sealed":`))-100]
	put(t, req.Receipt, torn)
	before := content(t, card)
	var no *Refusal
	if _, err := perform(card, req); !errors.As(err, &no) || no.Code != disk.ReceiptExists {
		t.Errorf("write: %v", err)
	}
	if err := undo(card, req.Receipt); !errors.As(err, &no) || no.Code != disk.NotUndoable ||
		no.Do == "nothing has to be undone" {
		t.Errorf("undo: %v", err)
	}
	now, err := os.ReadFile(req.Receipt)
	do(t, err)
	if !bytes.Equal(now, torn) || !bytes.Equal(content(t, card), before) {
		t.Error("the receipt or the card was changed")
	}
}

// A quick test that was broken off leaves its stamps, which say the same as a mark.
func TestAReceiptOfATestThatLostItsEnd(t *testing.T) {
	card := faultdev.New(cardSectors, large)
	old := oldContent()
	card.Put(0, old)
	req := testRequest(t, receipt.QuickTest, cardSectors, large)
	req.Receipt = filepath.Join(t.TempDir(), "receipt")
	p := permitFor(t, card, req)
	card.After(cardSectors+60, faultdev.Pull)
	if _, err := p.TestQuick(context.Background()); !faultdev.IsGone(err) {
		t.Fatalf("not pulled: %v", err)
	}
	card.Restart()
	if bytes.Equal(content(t, card), old) {
		t.Fatal("it was pulled before the first stamp")
	}
	cutBehindSeal(t, req.Receipt)
	do(t, undo(card, req.Receipt))
	if !bytes.Equal(content(t, card), old) {
		t.Error("what the test replaced was not put back")
	}
}
