package safety

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// Undo goes by the same table: an equal card keeps every byte, at every stage of
// a write and of an undo.
func TestUndoRefusesAnotherCard(t *testing.T) {
	m := deviceModel()
	for at := 1; ; at += historyStride() {
		first, old := usedCard()
		req := often(m, t, true)
		if !stopAt(t, first, req, faultdev.Pull, at) {
			break
		}
		undoRefused(t, req, fmt.Sprintf("write stopped at operation %d", at), touchedBy(t, first, old))
	}
	for at := 1; ; at += historyStride() {
		first, old := usedCard()
		req := often(m, t, true)
		_, err := perform(first, req)
		do(t, err)
		first.Restart()
		first.Fault, first.At = faultdev.Cut, at
		err = undo(first, req.Receipt)
		if len(first.Ops()) < at {
			do(t, err)
			break
		}
		first.Restart()
		what := fmt.Sprintf("undo stopped at operation %d", at)
		undoRefused(t, req, what, true)
		if err := undo(first, req.Receipt); err != nil && !isFinished(req) {
			t.Fatalf("%s: the same undo: %v", what, err)
		}
		if s := state(t, first, m, old); s != "old" {
			t.Fatalf("%s: after the same undo the card is %s", what, s)
		}
	}
}

func undoRefused(t *testing.T, req Request, what string, touched bool) {
	t.Helper()
	if _, err := receipt.Read(req.Receipt); err != nil {
		return
	}
	second := equalCard(recording)
	err := undo(second, req.Receipt)
	var no *Refusal
	if !errors.As(err, &no) || second.Written() > 0 {
		t.Fatalf("%s: %v, %d sectors written", what, err, second.Written())
	}
	if touched && no.Code != disk.ReceiptOther && no.Code != disk.CardUnproved && no.Code != disk.NotUndoable {
		t.Errorf("%s: %v", what, no)
	}
}

// A card that was finished and used since is undone only if its owner says that
// it is the one.
func TestUndoOfAUsedCardIsAsked(t *testing.T) {
	m := deviceModel()
	card, old := usedCard()
	req := often(m, t, true)
	_, err := perform(card, req)
	do(t, err)
	card.Put(80, patterned(5, large/sector)) // a table
	var no *Refusal
	if err := undo(card, req.Receipt); !errors.As(err, &no) || no.Code != disk.CardUnproved {
		t.Fatalf("got %v", err)
	}
	back, kept, err := UndoRequest(req.Receipt)
	do(t, err)
	defer kept.Close()
	back.Accept = []disk.Code{disk.CardUnproved}
	_, err = perform(card, back)
	do(t, err)
	if s := state(t, card, m, old); s != "old" {
		t.Errorf("the card is %s", s)
	}
}

// A device that records where the mark was changes nothing of sector 0, and one that changes
// the table nothing of that place: the refusal says which of them it is.
func TestTheRefusalSaysWhatDiffers(t *testing.T) {
	at := receipt.MarkSector(often(deviceModel(), t, true).Disk).Start
	for want, changed := range map[string][]disk.Sector{
		"its sector 0 is as the work left it, and sector": {at},
		"and its sector 0 is not":                         {0},
		"neither its sector 0 nor":                        {0, at},
	} {
		m := deviceModel()
		card, _ := usedCard()
		req := often(m, t, true)
		_, err := perform(card, req)
		do(t, err)
		for _, x := range changed {
			card.Put(x, patterned(5, large/sector))
		}
		var no *Refusal
		if err := undo(card, req.Receipt); !errors.As(err, &no) || !strings.Contains(no.Error(), want) {
			t.Errorf("%v changed: %v", changed, err)
		}
	}
}

// A card that lost the sector of the mark while it was fenced cannot be proved
// to be the one: its owner is asked, and gets back what was kept. On a card that
// bears another mark, or a table, there is nothing to ask.
func TestUndoOfACardThatLostItsMark(t *testing.T) {
	m := deviceModel()
	card, old := usedCard()
	req := often(m, t, true)
	stopInData(t, card, req)
	at := receipt.MarkSector(req.Disk)
	table := patterned(7, large/sector)
	for name, lost := range map[string][]byte{"another mark": receipt.NewMark().Sector(large), "a table": nil} {
		if lost == nil {
			lost = make([]byte, large)
			card.Put(0, table)
		}
		card.Put(at.Start, lost)
		var no *Refusal
		if err := undoAccepted(t, card, req.Receipt, disk.CardUnproved); !errors.As(err, &no) || no.Code != disk.ReceiptOther {
			t.Errorf("%s: %v", name, err)
		}
		card.Put(0, make([]byte, large))
	}
	card.Put(at.Start, make([]byte, large))
	var no *Refusal
	if err := undo(card, req.Receipt); !errors.As(err, &no) || no.Code != disk.CardUnproved {
		t.Fatalf("got %v", err)
	}
	if _, err := perform(card, req); !errors.As(err, &no) || no.Code != disk.ReceiptOther {
		t.Errorf("the write goes on: %v", err)
	}
	do(t, undoAccepted(t, card, req.Receipt, disk.CardUnproved))
	if s := state(t, card, m, old); s != "old" {
		t.Errorf("the card is %s", s)
	}
}

func undoAccepted(t *testing.T, card *faultdev.Card, receiptPath string, code disk.Code) error {
	t.Helper()
	back, kept, err := UndoRequest(receiptPath)
	do(t, err)
	defer kept.Close()
	back.Accept = []disk.Code{code}
	_, err = perform(card, back)
	return err
}

// A broken test is undone only on a card that holds its stamps.
func TestUndoOfATestNeedsItsStamps(t *testing.T) {
	card, old := usedCard()
	req := writeRequest(deviceModel(), filepath.Join(t.TempDir(), "receipt"))
	req.Kind, req.Card, req.Pieces, req.Tables = receipt.QuickTest, nil, nil, nil
	r, err := Rehearse(card, req)
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	card.After(700+50, faultdev.Pull)
	_, err = p.TestQuick(context.Background())
	if err == nil {
		t.Fatal("not pulled")
	}
	card.Restart()
	if !touchedBy(t, card, old) {
		t.Fatal("no stamp was written")
	}
	second := equalCard(recording)
	var no *Refusal
	if err := undo(second, req.Receipt); !errors.As(err, &no) || no.Code != disk.ReceiptOther || second.Written() > 0 {
		t.Errorf("another card: %v", err)
	}
	do(t, undo(card, req.Receipt))
	if touchedBy(t, card, old) {
		t.Error("not everything was put back")
	}
}
