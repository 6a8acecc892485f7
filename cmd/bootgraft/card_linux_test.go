package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety"
	"bootgraft/safety/faultdev"
)

// serve makes a real block device of a card in memory: FUSE below, loop(4) with
// direct I/O above.
func (y *typist) serve(card *faultdev.Card) (node string) {
	y.t.Helper()
	return y.attach(faultdev.Serve(y.t, card), "--direct-io=on")
}

// tests runs a test of a card with the word of its rehearsal. If the card is
// not honest it must end with 5.
func (y *typist) tests(lie faultdev.Lie, args ...string) (got document.CardTest) {
	y.t.Helper()
	want := talk.ExitDone
	if lie != faultdev.Honest {
		want = talk.ExitDifferent
	}
	out, errs := y.types(want, append(args, "--json", "--confirm", y.word(args...))...)
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		y.t.Fatalf("%v\n%s", err, out)
	}
	if lie != faultdev.Honest {
		y.says(errs, "is not what it says")
	}
	return got
}

// medium returns what a card really holds in its first sectors.
func medium(t *testing.T, card *faultdev.Card, sectors disk.Sector) []byte {
	t.Helper()
	b, err := image.ReadSectors(card.Medium(), disk.Span{Count: sectors})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

type liar struct {
	Lie  faultdev.Lie
	Real disk.Sector
}

// lies are cards that lie, at the sizes that such cards are made in and at odd
// ones, and an honest one: true sizes of a card that says n.
func lies(n disk.Sector) (out []liar) {
	for _, lie := range []faultdev.Lie{faultdev.Repeats, faultdev.Forgets, faultdev.Noise} {
		for _, real := range []disk.Sector{n / 2, n / 4, disk.Sector(1) << 13, n/3 | 1, n - n/5 | 1} {
			out = append(out, liar{lie, real})
		}
	}
	return append(out, liar{faultdev.Honest, n})
}

// found wants the verdict about a card to be right: which lie, and a size that
// is not above the true one by more than the test can tell.
func found(t *testing.T, got document.CardTest, lie faultdev.Lie, real disk.Sector, gap disk.Sector) {
	t.Helper()
	trick := map[faultdev.Lie]safety.Trick{
		faultdev.Honest: safety.Honest, faultdev.Repeats: safety.Repeats, faultdev.Forgets: safety.Forgets, faultdev.Noise: safety.Forgets,
	}[lie]
	right := got.Real == real
	switch trick {
	case safety.Repeats:
		right = got.Real%real == 0 && got.Real < got.Sectors
	case safety.Forgets:
		right = got.Real >= real && got.Real <= real+gap
	}
	if got.Verdict != trick || !right {
		t.Errorf("lie %d at %d: %+v", lie, real, got)
	}
}

// Cards that lie about their size are found by both tests, typed as a person
// types them, on a real block device; honest ones are never accused. What the
// quick test replaced is put back.
func TestLyingCardsAreFound(t *testing.T) {
	t.Parallel()
	const n = 24_576 // the full test writes every one
	for _, c := range lies(n) {
		switch {
		case c.Lie == faultdev.Honest, c.Real == n/2, need.Long():
		case c.Real == n/3|1 && !testing.Short():
		default: // one of each kind at least; package safety tries many more, in memory
			continue
		}
		t.Run(fmt.Sprintf("lie %d at %d", c.Lie, c.Real), func(t *testing.T) {
			t.Parallel()
			y := newTypist(t)
			card := faultdev.New(n, 512)
			card.Lie, card.Real = c.Lie, c.Real
			card.Put(0, imagetest.Telling(9, 5000))
			before := medium(t, card, c.Real)
			node := y.serve(card)
			quick := y.tests(c.Lie, "card", node, "--write-test", "quick", "--device")
			found(t, quick, c.Lie, c.Real, n/480)
			if !quick.Restored || quick.Written >= 1000 || !bytes.Equal(medium(t, card, c.Real), before) {
				t.Errorf("it was not put back: %+v", quick)
			}
			full := y.tests(c.Lie, "card", node, "--write-test", "full", "--device", "--accept", string(disk.CardHoldsUnknown))
			found(t, full, c.Lie, c.Real, 0)
			if full.Tested != n || full.Restored || bytes.Equal(medium(t, card, c.Real), before) {
				t.Errorf("it was not written: %+v", full)
			}
		})
	}
}

// A card that is sold as 64 GB is tested in seconds.
func TestQuickTestOf64GB(t *testing.T) {
	t.Parallel()
	const n = 125_000_000
	for _, real := range []disk.Sector{n, 1 << 24} {
		y := newTypist(t)
		card := faultdev.New(n, 512)
		if real < n {
			card.Lie, card.Real = faultdev.Repeats, real
		}
		args := []string{"card", y.serve(card), "--write-test", "quick", "--device"}
		word := y.word(args...)
		start := time.Now()
		said, _ := y.types(map[bool]int{true: talk.ExitDone, false: talk.ExitDifferent}[real == n], append(args, "--confirm", word)...)
		t.Logf("%.1f s, %d sectors written", time.Since(start).Seconds(), card.Written())
		y.says(said, map[bool]string{true: "AS LARGE AS IT SAYS", false: "THE CARD LIES"}[real == n])
		if card.Written() >= 1000 {
			t.Errorf("%d sectors were written", card.Written())
		}
	}
}

// A dying card: a write that fails is told, what was replaced is put back, and
// it ends with 4. DA-AO-21 of the NIST DDA assertions, from memory: a write
// error is told.
func TestQuickTestOfADyingCard(t *testing.T) {
	t.Parallel()
	const n = 32_768
	y := newTypist(t)
	card := faultdev.New(n, 512)
	card.Put(0, imagetest.Telling(3, n))
	before := medium(t, card, n)
	args := []string{"card", y.serve(card), "--write-test", "quick", "--device"}
	word := y.word(args...)
	card.FailWrite(1)
	_, said := y.types(talk.ExitFenced, append(args, "--confirm", word)...)
	y.says(said, "the test came to no answer")
	y.says(said, "The card holds what it held before")
	if card.Injected() != 1 || !bytes.Equal(medium(t, card, n), before) {
		t.Errorf("%d faults, or it was not put back", card.Injected())
	}
	said, _ = y.types(talk.ExitDone, args...)
	if strings.Contains(said, "Look out") {
		t.Errorf("there is nothing left to put back:\n%s", said)
	}
}

// A card that is gone in the middle of a test: it ends with 4, the next
// rehearsal remembers it, and the receipt puts back what was replaced.
func TestQuickTestOfACardThatIsPulled(t *testing.T) {
	t.Parallel()
	const n = 32_768
	y := newTypist(t)
	card := faultdev.New(n, 512)
	card.Put(0, imagetest.Telling(3, n))
	before := medium(t, card, n)
	node := y.serve(card)
	args := []string{"card", node, "--write-test", "quick", "--device"}
	word := y.word(args...)
	card.After(opsBeforeWriting(t, n)+299, faultdev.Pull)
	_, said := y.types(talk.ExitFenced, append(args, "--confirm", word)...)
	y.says(said, "    bootgraft undo card-test.receipt "+node+" --device\n")
	card.Restart()
	if bytes.Equal(medium(t, card, n), before) {
		t.Fatal("it was pulled before anything was replaced")
	}
	said, _ = y.types(talk.ExitDone, args...)
	y.says(said, "Look out: an earlier test of this card was broken off")
	undo := []string{"undo", "card-test.receipt", node, "--device"}
	y.types(talk.ExitDone, append(undo, "--confirm", y.word(undo...))...)
	if !bytes.Equal(medium(t, card, n), before) {
		t.Error("undo did not put back what was replaced")
	}
	if said, _ = y.types(talk.ExitDone, args...); strings.Contains(said, "Look out") {
		t.Errorf("nothing is left to put back:\n%s", said)
	}
}

// opsBeforeWriting returns how many operations a quick test with its word takes
// before the first write.
func opsBeforeWriting(t *testing.T, n disk.Sector) int {
	t.Helper()
	y := newTypist(t)
	card := faultdev.New(n, 512)
	args := []string{"card", y.serve(card), "--write-test", "quick", "--device"}
	word := y.word(args...)
	from := len(card.Ops())
	y.types(talk.ExitDone, append(args, "--confirm", word)...)
	return slices.Index(card.Ops()[from:], "write")
}

// The full test of a card that fails on the way ends with 4 as well.
func TestFullTestOfADyingCard(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	card := faultdev.New(32_768, 512)
	args := []string{"card", y.serve(card), "--write-test", "full", "--device"}
	word := y.word(args...)
	card.FailWrite(1)
	_, said := y.types(talk.ExitFenced, append(args, "--confirm", word)...)
	y.says(said, "It holds noise now, as far as the test came")
}

// Ctrl-C in the middle of a test: a quick one puts back what it replaced first,
// and both end with 4, for something was written.
func TestTestIsInterrupted(t *testing.T) {
	t.Parallel()
	for kind, says := range map[string]string{device.Quick: "The card holds what it held before", device.Full: "It holds noise now"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			const n = 1 << 21
			y := newTypist(t)
			card := faultdev.New(n, 512)
			card.Put(0, imagetest.Telling(5, 20_000))
			before := medium(t, card, 20_000)
			args := []string{"card", y.serve(card), "--write-test", kind, "--device", "--accept", string(disk.CardHoldsUnknown)}
			c := y.command(append(args, "--confirm", y.word(args...))...)
			var said bytes.Buffer
			c.Stderr = &said
			need.Ends(t, c)
			for late := time.Now().Add(20 * time.Second); card.Written() == 0 && time.Now().Before(late); {
				time.Sleep(time.Millisecond)
			}
			if err := c.Process.Signal(os.Interrupt); err != nil {
				t.Fatal(err)
			}
			c.Wait()
			if got := c.ProcessState.ExitCode(); got != talk.ExitFenced {
				t.Fatalf("it ended with %d\n%s", got, said.String())
			}
			y.says(said.String(), says)
			if kind == device.Quick && !bytes.Equal(medium(t, card, 20_000), before) {
				t.Error("it was not put back")
			}
		})
	}
}

// A card of which something cannot be read is described as far as it goes, and
// the look ends with 1.
func TestLookAtADyingCard(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	card := faultdev.New(32_768, 512)
	card.Put(0, imagetest.Telling(3, 100))
	node := y.serve(card)
	card.After(0, faultdev.Pull)
	said, errs := y.types(talk.ExitFailed, "card", node)
	y.says(said, "32,768 sectors of 512 bytes")
	y.says(said, "--size 32768s")
	y.says(errs, "could not be read")
}

// A card that repeats is suspected by reading alone, and nothing is written.
func TestLookAtACardThatRepeats(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	card := faultdev.New(1<<18, 512)
	card.Lie, card.Real = faultdev.Repeats, 1<<16
	card.Put(0, imagetest.Telling(3, 100))
	said, _ := y.types(talk.ExitDone, "card", y.serve(card))
	y.says(said, "once more 65,536 sectors later")
	y.says(said, "Only --write-test quick")
	if card.Written() > 0 {
		t.Errorf("a look wrote %d sectors", card.Written())
	}
}

// Cards that keep what was written last in a memory, on a real block device:
// they pass the quick test in one go, which says what it cannot see, and are
// found when they are pulled between its halves. An honest card is not accused.
func TestPullOnRealCards(t *testing.T) {
	t.Parallel()
	const n = 400_000
	for _, c := range []struct {
		lie      faultdev.Lie
		volatile int64
		drops    bool
		honest   bool
	}{{faultdev.Honest, 0, false, true}, {faultdev.Forgets, 4 << 20, false, false}, {faultdev.Honest, 64 << 20, true, false}} {
		t.Run(fmt.Sprintf("lie %d, %d bytes, %t", c.lie, c.volatile, c.drops), func(t *testing.T) {
			t.Parallel()
			y := newTypist(t)
			card := faultdev.New(n, 512)
			card.Lie, card.Real, card.Volatile, card.Drops = c.lie, n/4, c.volatile, c.drops
			card.Put(0, imagetest.Telling(3, 80_000))
			before := medium(t, card, 80_000)
			file := faultdev.Serve(t, card)
			node := y.attach(file, "--direct-io=on")
			plain := []string{"card", node, "--write-test", "quick", "--device"}
			said, _ := y.types(talk.ExitDone, append(plain, "--confirm", y.word(plain...))...)
			y.says(strings.Join(strings.Fields(said), " "), device.CannotSee)
			card.Restart()
			args := append(plain, "--pull")
			said, _ = y.types(talk.ExitStopped, append(args, "--confirm", y.word(args...))...)
			line := "bootgraft card " + node + " --write-test quick --pull --device"
			y.says(said, "\n  "+line+"\n")
			_, errs := y.types(talk.ExitRefused, args...)
			y.says(errs, "card-not-pulled")

			need.Reattach(t, node, file, card.Restart, "--direct-io=on")
			second := strings.Fields(line)[1:]
			said, _ = y.types(talk.ExitDone, second...)
			y.says(said, "This is the second half")
			want, verdict := talk.ExitDifferent, "THE CARD LIES"
			if c.honest {
				want, verdict = talk.ExitDone, "AS LARGE AS IT SAYS"
			}
			said, _ = y.types(want, append(second, "--confirm", y.word(second...))...)
			y.says(said, verdict)
			card.Restart()
			if !bytes.Equal(medium(t, card, 80_000), before) {
				t.Error("what it held was not put back")
			}
		})
	}
}
