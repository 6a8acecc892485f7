package safety

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// One sector is lost between two runs, before a progress line: the next run
// finds it, the one after that writes it again, and all is well. It ends.
func TestALostSectorIsWrittenAgain(t *testing.T) {
	m := deviceModel()
	card, old := usedCard()
	req := often(m, t, false)
	stopInData(t, card, req)
	r, err := receipt.Read(req.Receipt)
	do(t, err)
	const lost = 320
	if r.Upto <= lost {
		t.Fatalf("only the data before %d is noted", r.Upto)
	}
	card.Put(lost, make([]byte, large))
	_, err = perform(card, req)
	var d *DifferentError
	if !errors.As(err, &d) || d.Differences[0].Sector != lost || len(d.Bad) > 0 {
		t.Fatalf("the lost sector: %v", err)
	}
	if r, err = receipt.Read(req.Receipt); err != nil || r.Upto != lost {
		t.Fatalf("stepped back to %d, %v", r.Upto, err)
	}
	_, err = perform(card, req)
	do(t, err)
	if s := state(t, card, m, old); s != "new" {
		t.Errorf("the card is %s", s)
	}
}

// stopInData pulls the card when most data is on it.
func stopInData(t *testing.T, card *faultdev.Card, req Request) {
	t.Helper()
	r, err := Rehearse(card, req)
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	ctx, stop := context.WithCancel(t.Context())
	p.req.Progress = func(s receipt.Stage, done, total int64) {
		if s == receipt.StageData && done > total*3/4 {
			stop()
		}
	}
	if _, err := p.Write(ctx); !errors.Is(err, context.Canceled) {
		t.Fatalf("not stopped: %v", err)
	}
	card.Restart()
}

// forgetful is a card that loses one sector each time, or cannot read it.
type forgetful struct {
	*faultdev.Card
	at   disk.Sector
	fail bool
}

func (f *forgetful) ReadAt(p []byte, off int64) (int, error) {
	n, err := f.Card.ReadAt(p, off)
	if i := int64(f.at)*large - off; err == nil && i >= 0 && i < int64(len(p)) {
		if f.fail {
			return 0, &image.ReadError{Span: disk.Between(disk.Sector(off/large), disk.Sector((off+int64(len(p)))/large)), Fault: image.BadSector, Err: syscall.EIO}
		}
		p[i] ^= 1
	}
	return n, err
}

// A sector that fails again after it was written again is called bad, by its
// number, in every stage.
func TestASectorThatFailsTwiceIsCalledBad(t *testing.T) {
	for _, at := range []disk.Sector{100, 182, 305, 480, cardSectors - 2} {
		m := deviceModel()
		card, _ := usedCard()
		req := often(m, t, false)
		stopAtFence(t, card, req)
		for run := 1; run <= 3; run++ {
			_, err := perform(&forgetful{Card: card, at: at}, req)
			says := err != nil && strings.Contains(err.Error(), fmt.Sprintf("again after it was written again: sector %d; this card is faulty", at))
			if err == nil || says != (run > 1) {
				t.Errorf("sector %d, run %d: %v", at, run, err)
			}
		}
	}
}

// The same for a sector that cannot be read.
func TestASectorThatCannotBeReadTwiceIsCalledBad(t *testing.T) {
	const at = 333
	m := deviceModel()
	card, _ := usedCard()
	req := often(m, t, false)
	req.Tables = nil // so that it is read only when it was written
	for run := 1; run <= 3; run++ {
		_, err := perform(&forgetful{card, at, true}, req)
		says := err != nil && strings.Contains(err.Error(), fmt.Sprintf("sector %d; this card is faulty", at))
		if err == nil || says != (run > 1) {
			t.Errorf("run %d: %v", run, err)
		}
	}
}

// stopAtFence makes the receipt while the card still is in order.
func stopAtFence(t *testing.T, card *faultdev.Card, req Request) {
	t.Helper()
	stopInData(t, card, req)
}
