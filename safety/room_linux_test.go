package safety

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// The disk under the receipt fills up when the card is being written: the lines
// still find the room that was reserved for them, in the first run and in one
// that goes on. On a real tmpfs, where fallocate(2) with FALLOC_FL_KEEP_SIZE
// reserves.
func TestRoomBehindTheReceipt(t *testing.T) {
	b := newBench(t)
	dir := b.mount("none", "-t", "tmpfs", "-o", "size=16m")
	fill := func() {
		f, err := os.OpenFile(dir+"/filler", os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
		do(t, err)
		defer f.Close()
		for err == nil {
			_, err = f.Write(make([]byte, 4096))
		}
	}
	for _, goesOn := range []bool{false, true} {
		card, old := usedCard()
		m := deviceModel()
		req := often(m, t, false)
		req.Receipt = dir + "/receipt"
		if goesOn {
			stopInData(t, card, req)
		}
		r, err := Rehearse(card, req)
		do(t, err)
		p, err := r.Permit(r.Word.String())
		do(t, err)
		full := false
		p.req.Progress = func(s receipt.Stage, _, _ int64) {
			if s == receipt.StageData && !full {
				full = true
				fill()
			}
		}
		a := newApplier(t.Context(), p)
		a.wrapReceipt = func(f receipt.File) receipt.File { return longLines{f} }
		res, err := a.run()
		do(t, err)
		if s := state(t, card, m, old); !full || res.NotNoted != nil || s != "new" || !isFinished(req) {
			t.Errorf("goes on %t: the card is %s, %v", goesOn, s, res.NotNoted)
		}
		do(t, os.Remove(dir+"/filler"))
		do(t, os.Remove(req.Receipt))
	}
}

// The lines about the data of a large card take more than those of a small one: a card of
// 8 TB has some 30,000.
func TestTheLinesOfALargeCardHaveRoom(t *testing.T) {
	const sectors = 15_628_053_168
	card := faultdev.New(sectors, sector)
	a := newApplier(t.Context(), &Permit{dev: card, req: testRequest(t, receipt.Write, sectors, sector)})
	path := t.TempDir() + "/receipt"
	f, err := receipt.Create(path)
	do(t, err)
	w := receipt.Writer{File: f}
	do(t, w.Stage(receipt.StageData, sectors))
	st, err := f.Stat()
	do(t, err)
	do(t, f.Close())
	if lines := card.Size() / progressEvery; lines*st.Size() > a.progressRoom() {
		t.Errorf("%d lines of %d bytes, and room for %d bytes", lines, st.Size(), a.progressRoom())
	}
}

// TestNoWordWithoutRoomForTheReceipt: where the folder of the receipt is full, takes no
// more files or none at all, no word is given, the card is as it was, and it is said what
// to type. On a real tmpfs (tmpfs(5)).
func TestNoWordWithoutRoomForTheReceipt(t *testing.T) {
	b := newBench(t)
	for options, want := range map[string]disk.Code{"size=4k": disk.NoRoom, "nr_inodes=1": disk.ReceiptFolder,
		"ro": disk.ReceiptFolder} {
		dir := b.mount("none", "-t", "tmpfs", "-o", options)
		card, old := usedCard()
		m := deviceModel()
		req := often(m, t, true)
		req.Receipt = dir + "/receipt"
		r, err := Rehearse(card, req)
		do(t, err)
		if !r.Refusals.Has(want) {
			t.Errorf("%s: %v, want %s", options, r.Refusals, want)
		}
		for _, no := range r.Refusals {
			if no.Code == want && !strings.Contains(no.Do, "receipt") {
				t.Errorf("%s: what to type is %q", options, no.Do)
			}
		}
		if _, err := r.Permit(r.Word.String()); err == nil {
			t.Errorf("%s: it is permitted", options)
		}
		if s := state(t, card, m, old); s != "old" {
			t.Errorf("%s: the card is %s", options, s)
		}
	}
}

// longLines makes each line a page long: the rest of a page that the file has
// already would do for a few short ones.
type longLines struct{ receipt.File }

func (l longLines) Write(p []byte) (int, error) {
	long := append(bytes.TrimSuffix(p, []byte("\n")), bytes.Repeat([]byte(" "), 4096)...)
	if _, err := l.File.Write(append(long, '\n')); err != nil {
		return 0, err
	}
	return len(p), nil
}
