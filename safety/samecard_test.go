package safety

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

func (h headIs) String() string { return [...]string{"blank", "old", "new", "torn", "foreign"}[h] }

func (m markIs) String() string { return [...]string{"ours", "none", "other"}[m] }

func (o outcome) String() string {
	return [...]string{"another", "changed", "anew", "go on", "if kept", "if plan", "finished"}[o]
}

// Every cell of the table, on real bytes: a receipt that came so far, a sector
// 0, a sector of the mark. What is wanted is told by rules, not by the table:
//
//   - the mark is there: it is the card, unless sector 0 holds what nobody here wrote
//   - nothing was written: whatever the card, the receipt is made again
//   - the mark must be there, and is not: another card
//   - the mark may be missing, and its place holds what the work never puts
//     there: another card
//   - before the mark, sector 0 is the old one on its way to blank
//   - after it, sector 0 is blank on its way to the new one; a whole new one may
//     be a card that was finished
func TestSameCardTable(t *testing.T) {
	for p := receipt.Untouched; p < receipt.Proofs; p++ {
		for h := headBlank; h < heads; h++ {
			for m := markOurs; m < marks; m++ {
				t.Run(fmt.Sprintf("%s, sector 0 %s, mark %s", p, h, m), func(t *testing.T) {
					r, card := cardThatShows(t, p, h, m)
					j, err := cardOf{r}.judge(card)
					do(t, err)
					if want := wanted(p, h, m); j.outcome != want {
						t.Errorf("%s (%s), want %s", j.outcome, j.reason, want)
					}
					if no := (cardOf{r}).refusalOf(j, &examined{Request: &Request{}}); (no == nil) != (j.outcome >= goOn) {
						t.Errorf("%s: %v", j.outcome, no)
					}
				})
			}
		}
	}
}

func wanted(p receipt.Proof, h headIs, m markIs) outcome {
	switch {
	case m == markOurs && h == headForeign:
		return changed
	case m == markOurs:
		return goOn
	case p == receipt.Untouched:
		return anew
	case p == receipt.ByMark, m == markOther, h == headForeign:
		return another
	case p == receipt.ByKept && h != headNew:
		return ifKept
	case p == receipt.ByPlan && h == headNew:
		return finished
	case p == receipt.ByPlan && h != headOld:
		return ifPlan
	}
	return another
}

// cardThatShows returns a receipt and a card in a given state.
func cardThatShows(t *testing.T, p receipt.Proof, h headIs, m markIs) (*receipt.Receipt, *faultdev.Card) {
	t.Helper()
	model, old := deviceModel(), oldContent()
	req := writeRequest(model, filepath.Join(t.TempDir(), "receipt"))
	sealed, err := sealedReceipt()
	do(t, err)
	put(t, req.Receipt, sealed)
	body := old
	if p == receipt.ByPlan {
		body = model.file
	}
	lines := map[receipt.Proof]string{receipt.Untouched: "", receipt.ByKept: `{"stage":"fence"}` + "\n", receipt.ByMark: `{"stage":"fence"}` + "\n" + `{"stage":"marked"}` + "\n",
		receipt.ByPlan: `{"stage":"fence"}` + "\n" + `{"stage":"marked"}` + "\n" + `{"stage":"sector 0"}` + "\n"}
	addTo(t, req.Receipt, lines[p])
	r, err := receipt.Read(req.Receipt)
	do(t, err)
	if r.Proof != p {
		t.Fatalf("the receipt is at %s", r.Proof)
	}
	at := receipt.MarkSector(req.Disk)
	sector := func(b []byte, s disk.Sector) []byte { return append([]byte(nil), b[s*large:(s+1)*large]...) }
	half := func(b []byte) []byte { clear(b[large/2:]); return b }
	head := map[headIs][]byte{headBlank: make([]byte, large), headOld: sector(old, 0), headNew: sector(model.file, 0),
		headTorn: half(sector(body, 0)), headForeign: patterned(17, large/sectorBytes)}[h]
	mark := map[markIs][]byte{markOurs: r.Mark.Sector(large), markNone: sector(body, at.Start), markOther: receipt.NewMark().Sector(large)}[m]
	shown := faultdev.New(cardSectors, large)
	shown.Put(0, body)
	shown.Put(0, head)
	shown.Put(at.Start, mark)
	return r, shown
}

const sectorBytes = sector

// sealedReceipt is a receipt of the model, up to its seal.
var sealedReceipt = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	card, _ := usedCard()
	req := writeRequest(deviceModel(), filepath.Join(dir, "receipt"))
	if _, err := perform(card, req); err != nil {
		return nil, err
	}
	text, err := os.ReadFile(req.Receipt)
	if err != nil {
		return nil, err
	}
	end := bytes.LastIndex(text, []byte(`{"sealed":`))
	return text[:end+bytes.IndexByte(text[end:], '\n')+1], nil
})

func addTo(t *testing.T, path, text string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
	do(t, err)
	_, err = f.WriteString(text)
	do(t, err)
	do(t, f.Close())
}

// Where the table asks for more than sector 0 and the mark, one sector of the
// fence, or of the tables, decides.
func TestSameCardLooksAtTheRest(t *testing.T) {
	for _, p := range []receipt.Proof{receipt.ByKept, receipt.ByPlan} {
		r, card := cardThatShows(t, p, headBlank, markNone)
		card.Put(80, make([]byte, large)) // in the fence, and a first copy
		if j, err := (cardOf{r}).judge(card); err != nil || j.outcome != another {
			t.Errorf("%s: %s, %v", p, j.outcome, err)
		}
	}
	r, card := cardThatShows(t, receipt.ByPlan, headNew, markNone)
	card.Put(cardSectors-1, make([]byte, large))
	if j, err := (cardOf{r}).judge(card); err != nil || j.outcome != another {
		t.Errorf("a finished card: %s, %v", j.outcome, err)
	}
}

// A mark that was torn by a power cut is no other card's.
func TestTornMark(t *testing.T) {
	for _, p := range []receipt.Proof{receipt.ByKept, receipt.ByPlan} {
		r, card := cardThatShows(t, p, headBlank, markNone)
		at := receipt.MarkSector(r.Disk())
		b := make([]byte, large)
		_, err := card.ReadAt(b, int64(at.Start)*large)
		do(t, err)
		copy(b[:40], r.Mark.Sector(large))
		card.Put(at.Start, b)
		if j, err := (cardOf{r}).judge(card); err != nil || j.outcome < goOn {
			t.Errorf("%s: %s, %v", p, j.outcome, err)
		}
	}
}

// A card whose sector at the place of the mark is bad is not called another one:
// the next run tries it once more, and then says that the sector is bad.
func TestABadSectorAtThePlaceOfTheMark(t *testing.T) {
	m := deviceModel()
	card, _ := usedCard()
	req := writeRequest(m, filepath.Join(t.TempDir(), "receipt"))
	at := receipt.MarkSector(req.Disk).Start
	for run := 1; run <= 3; run++ {
		_, err := perform(&forgetful{Card: card, at: at}, req)
		says := err != nil && strings.Contains(err.Error(), fmt.Sprintf("again after it was written again: sector %d; this card is faulty", at))
		if err == nil || says != (run > 1) {
			t.Errorf("run %d: %v", run, err)
		}
	}
	second := equalCard(recording)
	var no *Refusal
	if _, err := perform(second, req); !errors.As(err, &no) || no.Code != disk.ReceiptOther || second.Written() > 0 {
		t.Errorf("an equal card: %v", err)
	}
	fenced := append([]byte(nil), oldContent()...)
	copy(fenced[at*large:], receipt.NewMark().Sector(large))
	second = equalCard(fenced)
	if _, err := perform(second, req); !errors.As(err, &no) || no.Code != disk.ReceiptOther || second.Written() > 0 {
		t.Errorf("a copy of it that bears another mark: %v", err)
	}
}

// A plan that leaves the sector of the mark as it is would leave the mark there.
func TestAPlanMustFillTheSectorOfTheMark(t *testing.T) {
	m := deviceModel()
	card, old := usedCard()
	req := writeRequest(m, filepath.Join(t.TempDir(), "receipt"))
	at := receipt.MarkSector(req.Disk)
	var pieces []layout.Piece
	for _, p := range m.pieces {
		for _, part := range cut(p.Span, disk.NewSpans(at)) {
			q := p
			if q.Span = part; part == at {
				q.Op = layout.Leave
			}
			pieces = append(pieces, q)
		}
	}
	req.Pieces = pieces
	r, err := Rehearse(card, req)
	do(t, err)
	if !r.Refusals.Has(disk.TargetNoMark) || touchedBy(t, card, old) {
		t.Errorf("%v", r.Refusals)
	}
}
