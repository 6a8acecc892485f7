package safety

import (
	"errors"
	"testing"

	"bootgraft/image"
	"bootgraft/safety/faultdev"
)

// A card that shrinks or is swapped while it is written ends the work at every
// stage, and the receipt still knows its own card.
func TestCardSwappedInMidWrite(t *testing.T) {
	m := deviceModel()
	for at := 60; ; at += historyStride() {
		card, old := usedCard()
		swap := &swapping{Card: card, at: at, other: equalCard(recording)}
		req := often(m, t, at%2 == 0)
		_, err := perform(swap, req)
		if swap.n < at {
			do(t, err)
			return
		}
		if err == nil {
			continue // swapped after the last operation that asks
		}
		if touchedBy(t, card, old) && touchedBy(t, swap.other, recording) && !isGone(err) {
			t.Fatalf("operation %d: %v", at, err)
		}
		card.Restart()
		if _, err := perform(card, req); err != nil && !isFinished(req) {
			t.Fatalf("operation %d: its own card again: %v", at, err)
		}
		if s := state(t, card, m, old); s != "new" {
			t.Fatalf("operation %d: the card is %s", at, s)
		}
	}
}

// swapping is a reader in which another card lies from one operation on. The
// kernel says so when it is asked, and not before: transfers just fail.
type swapping struct {
	*faultdev.Card
	at, n int
	other *faultdev.Card
}

var errSwapped = &image.ReadError{Fault: image.Gone, Err: errors.New("another card was put in")}

func (s *swapping) gone() error {
	if s.n++; s.n >= s.at {
		return errSwapped
	}
	return nil
}

func (s *swapping) ReadAt(p []byte, off int64) (int, error) {
	if err := s.gone(); err != nil {
		return 0, err
	}
	return s.Card.ReadAt(p, off)
}

func (s *swapping) WriteAt(p []byte, off int64) (int, error) {
	if err := s.gone(); err != nil {
		return 0, err
	}
	return s.Card.WriteAt(p, off)
}

func (s *swapping) Flush() error { return errors.Join(s.gone(), s.Card.Flush()) }
func (s *swapping) Same() error  { return errors.Join(s.gone(), s.Card.Same()) }
