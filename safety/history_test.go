package safety

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// The faults of these tests lie between two runs: another card in the reader, a
// sector that was lost, a second run at the same time, a full disk.

// recording is what an equal card holds: both ends in use, and no table.
var recording = patterned(91, cardSectors*large/sector)

// equalCard says of itself what usedCard says, as cards behind one USB reader
// do, and holds something else.
func equalCard(b []byte) *faultdev.Card {
	c := faultdev.New(cardSectors, large)
	c.Put(0, b)
	return c
}

// often is a request with a progress line after every step of the pump.
func often(m *model, t *testing.T, keepAll bool) Request {
	req := writeRequest(m, filepath.Join(t.TempDir(), "card.receipt"))
	req.every, req.KeepAll = 1, keepAll
	req.Anew = "bootgraft write c.plan /dev/card --device --receipt c.plan.2.receipt"
	return req
}

// stopAt does the work until the operation at, which fails so; false if there
// is none.
func stopAt(t *testing.T, card *faultdev.Card, req Request, f faultdev.Fault, at int) bool {
	t.Helper()
	card.Fault, card.At, card.Seed = f, at, uint64(at)
	_, err := perform(card, req)
	stopped := len(card.Ops()) >= at
	if !stopped && err != nil {
		t.Fatal(err)
	}
	card.Restart()
	return stopped
}

// touchedBy tells whether the card is no longer as it was.
func touchedBy(t *testing.T, card *faultdev.Card, old []byte) bool {
	return string(content(t, card)) != string(old)
}

// Power is lost at every operation of a write whose receipt gets a line at every
// step. Then the same command comes to its end, however often that happens.
func TestKilledAtEveryStepThenOn(t *testing.T) {
	m := deviceModel()
	for at := 1; ; at += historyStride() {
		card, old := usedCard()
		req := often(m, t, at%2 == 0)
		if !stopAt(t, card, req, faultdev.Cut, at) {
			break
		}
		stopAt(t, card, req, faultdev.Cut, 40+at%150) // and a second time, somewhere
		if s := state(t, card, m, old); s != "old" && s != "new" && s != "no disk" {
			t.Fatalf("operation %d: the card is %s", at, s)
		}
		if _, err := perform(card, req); err != nil && !isFinished(req) {
			t.Fatalf("operation %d: the same command: %v", at, err)
		}
		if s := state(t, card, m, old); s != "new" {
			t.Fatalf("operation %d: after the same command the card is %s", at, s)
		}
	}
}

func isFinished(req Request) bool {
	r, err := receipt.Read(req.Receipt)
	return err == nil && r.Finished()
}

func historyStride() int {
	switch {
	case need.Long():
		return 1
	case testing.Short():
		return 37
	}
	return 11
}

// An equal card takes the place of the one of an unfinished receipt, whatever it
// holds and wherever the write stopped. If anything was written to the first
// card, the second is refused and keeps every byte; both the card and the place
// where it stopped are named, and what to type.
func TestAnotherCardIsNotTakenForTheOne(t *testing.T) {
	m := deviceModel()
	finishedCard := append([]byte(nil), m.file...)
	finishedCard[300*large] ^= 1 // written by the same plan, and used since
	half := append([]byte(nil), oldContent()...)
	clear(half[:256*large])
	for name, held := range map[string][]byte{
		"a recording": recording, "a blank card": make([]byte, len(recording)),
		"a finished card, used since": finishedCard, "the old card with a blank start": half,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for at := 1; ; at += historyStride() {
				first, old := usedCard()
				req := often(m, t, at%2 == 0)
				if !stopAt(t, first, req, faultdev.Pull, at) {
					return
				}
				r, err := receipt.Read(req.Receipt)
				if err != nil || !touchedBy(t, first, old) {
					continue // nothing was written: there is nothing to tell apart
				}
				second := equalCard(held)
				_, err = perform(second, req)
				var no *Refusal
				if !errors.As(err, &no) || no.Code != disk.ReceiptOther && no.Code != disk.ReceiptExists {
					t.Fatalf("operation %d, stopped at %s, by %s: %v", at, r.Stage, r.Proof, err)
				}
				if touchedBy(t, second, held) || second.Written() > 0 {
					t.Fatalf("operation %d, stopped at %s: it was written to", at, r.Stage)
				}
				if no.Code == disk.ReceiptOther {
					for _, says := range []string{"another card", "stopped on ", string(r.Stage), "serial number 0042", req.Anew} {
						if !strings.Contains(no.Error(), says) {
							t.Errorf("%q is not said: %v", says, no)
						}
					}
				}
				if _, err := perform(first, req); err != nil {
					t.Fatalf("operation %d: the first card: %v", at, err)
				}
			}
		})
	}
}

// Two runs do not share a receipt, whoever comes first, and no link is followed.
func TestTwoWritersDoNotShareAReceipt(t *testing.T) {
	m := deviceModel()
	card, old := usedCard()
	req := often(m, t, false)
	r, err := Rehearse(card, req)
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	second := equalCard(recording)
	tried := false
	p.req.Progress = func(s receipt.Stage, _, _ int64) {
		if s != receipt.StageData || tried {
			return
		}
		tried = true
		var no *Refusal
		if _, err := perform(second, req); !errors.As(err, &no) || no.Code != disk.ReceiptInUse || second.Written() > 0 {
			t.Errorf("a second write: %v", err)
		}
		if err := undo(second, req.Receipt); !errors.As(err, &no) || no.Code != disk.ReceiptInUse {
			t.Errorf("an undo meanwhile: %v", err)
		}
	}
	_, err = p.Write(t.Context())
	do(t, err)
	if s := state(t, card, m, old); !tried || s != "new" {
		t.Errorf("the card is %s", s)
	}
	link := filepath.Join(t.TempDir(), "link")
	do(t, os.Symlink(req.Receipt, link))
	if r, err := receipt.Read(link); err == nil {
		t.Errorf("a link was followed: %v", r.Path)
	}
}

// fullFile is a receipt on a disk that is full from its n-th line after the seal on.
type fullFile struct {
	receipt.File
	n    int
	seen int
}

func (f *fullFile) Write(p []byte) (int, error) {
	if f.seen++; f.seen >= f.n {
		k, _ := f.File.Write(p[:len(p)/2])
		return k, syscall.ENOSPC
	}
	return f.File.Write(p)
}

// The disk of the receipt is full at each of its lines: the card is stopped and
// fenced, or, at the last line, right, and that is said; then the same command
// goes on to the end.
func TestAFullDiskUnderTheReceipt(t *testing.T) {
	m := deviceModel()
	for n := 1; ; n++ {
		card, old := usedCard()
		req := often(m, t, false)
		r, err := Rehearse(card, req)
		do(t, err)
		p, err := r.Permit(r.Word.String())
		do(t, err)
		full := &fullFile{n: n}
		a := newApplier(t.Context(), p)
		a.wrapReceipt = func(f receipt.File) receipt.File { full.File = f; return full }
		res, err := a.run()
		s := state(t, card, m, old)
		switch {
		case full.seen < n:
			do(t, err)
			if n < 8 || res.NotNoted != nil {
				t.Errorf("%d lines, %v", n, res.NotNoted)
			}
			return
		case err == nil && (res.NotNoted == nil || s != "new" || !errors.Is(res.NotNoted, syscall.ENOSPC)):
			t.Fatalf("line %d failed: %v, and the card is %s", n, res.NotNoted, s)
		case err != nil && (!errors.Is(err, syscall.ENOSPC) || s != "old" && s != "no disk"):
			t.Fatalf("line %d failed: %v, and the card is %s", n, err, s)
		}
		written := card.Written()
		if _, err = perform(card, req); err != nil {
			t.Fatalf("line %d, the same command: %v", n, err)
		}
		if s == "new" && card.Written() != written {
			t.Errorf("line %d: a card that was right was written again", n)
		}
		if s := state(t, card, m, old); s != "new" || !isFinished(req) {
			t.Errorf("line %d: after the same command the card is %s", n, s)
		}
	}
}

// A card that was written and that its receipt does not call finished may be an
// equal one that was used since: it is compared before anything is written.
func TestAFinishedCardIsComparedFirst(t *testing.T) {
	m := deviceModel()
	first, _ := usedCard()
	req := often(m, t, false)
	_, err := perform(first, req)
	do(t, err)
	dropLastLine(t, req.Receipt)
	used := append([]byte(nil), content(t, first)...)
	copy(used[300*large:], "a new recording")
	second := equalCard(used)
	var no *Refusal
	if _, err := perform(second, req); !errors.As(err, &no) || no.Code != disk.ReceiptOther || second.Written() > 0 {
		t.Errorf("another one: %v", err)
	}
	written := first.Written()
	_, err = perform(first, req)
	do(t, err)
	if first.Written() != written || !isFinished(req) {
		t.Error("it was written again, or its receipt still is not finished")
	}
}

func dropLastLine(t *testing.T, path string) {
	t.Helper()
	text, err := os.ReadFile(path)
	do(t, err)
	text = text[:strings.LastIndexByte(string(text[:len(text)-1]), '\n')+1]
	put(t, path, text)
}

// A receipt of the older form has no mark: by it nothing goes on.
func TestAReceiptOfTheOlderForm(t *testing.T) {
	m := deviceModel()
	card, _ := usedCard()
	req := often(m, t, true)
	stopInData(t, card, req)
	oldForm(t, req.Receipt)
	before := card.Written()
	var no *Refusal
	if _, err := perform(card, req); !errors.As(err, &no) || no.Code != disk.ReceiptOther || !strings.Contains(no.Why, "older form") {
		t.Errorf("write: %v", err)
	}
	if err := undo(card, req.Receipt); !errors.As(err, &no) || no.Code != disk.CardUnproved || card.Written() != before {
		t.Errorf("undo: %v", err)
	}
	back, kept, err := UndoRequest(req.Receipt)
	do(t, err)
	defer kept.Close()
	back.Accept = []disk.Code{disk.CardUnproved}
	_, err = perform(card, back)
	do(t, err)
	if string(content(t, card)) != string(oldContent()) {
		t.Error("not everything was put back")
	}
}

// oldForm turns a receipt into one of version 1.
func oldForm(t *testing.T, path string) {
	t.Helper()
	text, err := os.ReadFile(path)
	do(t, err)
	r, err := receipt.Read(path)
	do(t, err)
	head, rest, _ := strings.Cut(string(text), "\n")
	var h map[string]any
	do(t, json.Unmarshal([]byte(head), &h))
	h["version"], h["sector0"] = 1, strings.Repeat("ab", 32)
	delete(h, "mark")
	delete(h, "new")
	h["format"] = receipt.Format
	first, err := json.Marshal(h)
	do(t, err)
	body := string(first) + "\n" + rest[:strings.Index(rest, `{"sealed":`)]
	put(t, path, []byte(body+`{"sealed":"`+sum([]byte(body))+`"}`+"\n"+`{"stage":"fence"}`+"\n"+`{"stage":"`+string(r.Stage)+`"}`+"\n"))
}

// An undo that was begun and did not come to its end is no finished work, also
// where the write before it was.
func TestAnUndoThatWasBegunIsNotFinished(t *testing.T) {
	card, _ := usedCard()
	req := often(deviceModel(), t, true)
	_, err := perform(card, req)
	do(t, err)
	addTo(t, req.Receipt, `{"stage":"undo"}`+"\n")
	r, err := receipt.Read(req.Receipt)
	do(t, err)
	if r.Finished() || r.Fenced() {
		t.Errorf("finished %t, fenced %t", r.Finished(), r.Fenced())
	}
	do(t, undo(card, req.Receipt))
	if !isFinished(req) {
		t.Error("after it the work is not finished")
	}
}

// permitToGoOn rehearses to go on with a write that stopped in its data.
func permitToGoOn(t *testing.T) (*faultdev.Card, *Permit) {
	t.Helper()
	card, _ := usedCard()
	req := often(deviceModel(), t, false)
	stopInData(t, card, req)
	r, err := Rehearse(card, req)
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	return card, p
}

// Somebody went on with the receipt between the word and the work.
func TestAReceiptThatGrewMeanwhile(t *testing.T) {
	card, p := permitToGoOn(t)
	addTo(t, p.receipt.Path, `{"stage":"data","upto":400}`+"\n")
	before := card.Written()
	if _, err := p.Write(t.Context()); !errors.Is(err, errChangedReceipt) || card.Written() != before {
		t.Errorf("%v, %d sectors written", err, card.Written()-before)
	}
}

// Between the word and the work an equal card came into the reader. The table
// is asked once more, before all that was looked at is read again.
func TestAnotherCardAfterTheWord(t *testing.T) {
	card, p := permitToGoOn(t)
	card.Put(0, recording)
	before := card.Written()
	var no *Refusal
	if _, err := p.Write(t.Context()); !errors.As(err, &no) || no.Code != disk.ReceiptOther || card.Written() != before {
		t.Errorf("%v, %d sectors written", err, card.Written()-before)
	}
}

// After the last stage failed the fence was raised again: the line that steps
// back names that stage, and does not begin it again. The card is known by its
// mark alone, and not by its tables.
func TestAStepBackBeginsNoStage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "receipt")
	sealed, err := sealedReceipt()
	do(t, err)
	put(t, path, sealed)
	addTo(t, path, `{"stage":"fence"}`+"\n"+`{"stage":"marked"}`+"\n"+`{"stage":"sector 0"}`+"\n"+`{"stage":"marked"}`+"\n"+
		`{"stage":"sector 0","differ":[{"start":0,"count":1}]}`+"\n")
	r, err := receipt.Read(path)
	do(t, err)
	if r.Proof != receipt.ByMark || !r.Fenced() || len(r.Differ) != 1 {
		t.Errorf("known by %s, fenced %t, %v", r.Proof, r.Fenced(), r.Differ)
	}
}
