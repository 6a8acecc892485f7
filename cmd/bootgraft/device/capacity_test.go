package device

import (
	"context"
	"errors"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/safety"
)

// Every verdict is in words that a person understands, with the sizes.
func TestVerdicts(t *testing.T) {
	const n = 125_000_000
	for _, c := range []struct {
		found safety.Capacity
		kind  string
		want  []string
	}{
		{safety.Capacity{Trick: safety.Honest, Sectors: n, Real: n}, Quick, []string{"AS LARGE AS IT SAYS: 125,000,000 sectors (64.00 GB)", "nor does it forget"}},
		{safety.Capacity{Trick: safety.Honest, Sectors: n, Real: n}, Full, []string{"AS LARGE AS IT SAYS", "Every sector gave back"}},
		{safety.Capacity{Trick: safety.Repeats, Sectors: n, Real: 1 << 24}, Quick, []string{"THE CARD LIES", "over its lower part", "at most 16,777,216 sectors (8.59 GB)"}},
		{safety.Capacity{Trick: safety.Forgets, Sectors: n, Real: 1 << 24, Bad: 7}, Full, []string{"THE CARD LIES, OR IT IS WORN OUT", "7 tested sectors", "From sector 16,777,216 on"}},
	} {
		text := verdictText(c.found, 512, c.kind)
		for _, want := range c.want {
			if !strings.Contains(text, want) {
				t.Errorf("%q is not said: %s", want, text)
			}
		}
	}
}

// How to go on after a test that was broken off depends on what the card holds
// now.
func TestBrokenOff(t *testing.T) {
	gone := &image.ReadError{Fault: image.Gone, Err: errors.New("it was pulled")}
	bad := errors.New("a write failed")
	const undo = "bootgraft undo 'a receipt' /dev/card --device"
	for _, c := range []struct {
		kind    string
		given   string // with --receipt
		keepAll bool
		stop    safety.Stopped
		says    []string
		undoes  bool
	}{
		{Quick, "", false, safety.Stopped{Restored: true, Err: bad}, []string{"was put back", "holds what it held before", "Look at the card"}, false},
		{Quick, "a receipt", false, safety.Stopped{Restored: true, Err: context.Canceled}, []string{"put back: interrupted", "another name for --receipt"}, false},
		{Quick, "", false, safety.Stopped{Err: gone}, []string{"Put the card back in", undo}, true},
		{Full, "", false, safety.Stopped{Err: bad}, []string{"noise", "without --confirm"}, false},
		{Full, "", true, safety.Stopped{Err: bad}, []string{undo}, true},
	} {
		w, _ := waitedFor("")
		w.req.Receipt, w.req.KeepAll, w.flags.Receipt = "a receipt", c.keepAll, c.given
		test := &capacityTest{work: w, kind: c.kind}
		c.stop.Touched = true
		err := test.brokenOff(&c.stop)
		for _, want := range c.says {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q is not said: %v", want, err)
			}
		}
		if got := strings.Contains(err.Error(), undo); got != c.undoes {
			t.Errorf("undo is offered: %v\n%v", got, err)
		}
		if errors.As(err, new(*safety.Stopped)) {
			t.Errorf("it would be told as a broken write: %v", err)
		}
	}
}
