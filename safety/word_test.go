package safety

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// lookAtPlace is the look of somebody who reads one place of a card.
func lookAtPlace(t *testing.T, dev Device, s disk.Span) *Looked {
	t.Helper()
	l := LookThrough(dev)
	_, err := image.ReadSectors(l, s)
	do(t, err)
	return l
}

// A place far from both ends and from every sample: only the look reads it.
var middle = disk.Span{Start: 300, Count: 2}

func TestWordStandsForWhatTheLookRead(t *testing.T) {
	for _, s := range endSpans(writeRequest(deviceModel(), "").Disk) {
		if !s.Common(middle).Empty() {
			t.Fatalf("%s is read without a look", middle)
		}
	}
	word := func(card *faultdev.Card, at disk.Span) string {
		req := writeRequest(deviceModel(), filepath.Join(t.TempDir(), "r"))
		req.Looked = lookAtPlace(t, card, at)
		r, err := Rehearse(card, req)
		do(t, err)
		return r.Word.String()
	}
	card, _ := usedCard()
	before := word(card, middle)
	if again := word(card, middle); again != before {
		t.Fatalf("the same card has the words %s and %s", before, again)
	}
	card.Put(middle.Start+1, patterned(5, large/sector))
	after := strings.Split(word(card, middle), "-")
	if old := strings.Split(before, "-"); after[0] != old[0] || after[1] != old[1] || after[2] == old[2] {
		t.Errorf("%s, then %s: the last part alone stands for the content", before, after)
	}
	if a, b := word(card, disk.Span{Start: 310, Count: 1}), word(card, disk.Span{Start: 311, Count: 1}); a == b {
		t.Error("it does not stand for which sectors were read")
	}
}

// What changes between the word and the first write is seen, at each place that
// was looked at, and nothing is written.
func TestChangedBeforeTheFence(t *testing.T) {
	for _, at := range []disk.Sector{0, 255, middle.Start, cardSectors / (spread + 1) * 30, cardSectors - 1} {
		card, _ := usedCard()
		req := writeRequest(deviceModel(), filepath.Join(t.TempDir(), "r"))
		req.Looked = lookAtPlace(t, card, middle)
		p := permitFor(t, card, req)
		card.Put(at, patterned(5, large/sector))
		before := content(t, card)
		_, err := p.Write(t.Context())
		var no *Refusal
		if !errors.As(err, &no) || no.Code != disk.TargetChanged || card.Written() > 0 || !bytes.Equal(before, content(t, card)) {
			t.Errorf("sector %d: %v, %d sectors written", at, err, card.Written())
		}
	}
}

// A card that answers differently is not written, and can be tested: its word
// is the same each time.
func TestACardThatAnswersDifferently(t *testing.T) {
	card, _ := usedCard()
	card.Shaky = disk.Span{Start: 100, Count: 3}
	r, err := Rehearse(card, writeRequest(deviceModel(), filepath.Join(t.TempDir(), "r")))
	do(t, err)
	if !r.Refusals.Has(disk.TargetUnstable) || r.Unstable != (Changes{3, 100}) || r.Word != (Word{}) {
		t.Errorf("%+v %+v", r.Refusals, r.Unstable)
	}
	for _, k := range []receipt.Kind{receipt.QuickTest, receipt.FullTest} {
		req := testRequest(t, k, cardSectors, large)
		first, err := Rehearse(card, req)
		do(t, err)
		second, err := Rehearse(card, req)
		do(t, err)
		p, err := second.Permit(first.Word.String())
		if err != nil || first.Unstable.Sectors == 0 {
			t.Fatalf("%s: %v, %+v", k, err, first.Unstable)
		}
		if k == receipt.FullTest {
			_, err = p.TestFull(t.Context())
		} else {
			_, err = p.TestQuick(t.Context())
		}
		var no *Refusal
		if errors.As(err, &no) || card.Written() == 0 {
			t.Errorf("%s: %v", k, err)
		}
	}
}

// The word spells nothing: no two letters stand side by side, no letter is a
// vowel, and it has 40 bits or more.
func TestWordSpellsNothing(t *testing.T) {
	form := regexp.MustCompile(`^([b-df-hj-np-tv-z][2-9]){2}-([b-df-hj-np-tv-z][2-9]){2}-([b-df-hj-np-tv-z][2-9]){3}$`)
	for i := range 2000 {
		w := Word{pairs(2, []byte{byte(i), 1}), pairs(2, []byte{byte(i >> 8), 2}), pairs(3, []byte{byte(i), byte(i >> 8)})}
		if !form.MatchString(w.String()) {
			t.Fatalf("%s", w)
		}
	}
	if !form.MatchString(example) {
		t.Errorf("the example %s is no word", example)
	}
	bits := 1.0
	for range 7 {
		bits *= float64(len(letters) * len(digits))
	}
	if bits < 1<<40 {
		t.Errorf("only %.0f words", bits)
	}
}

// A look through a Looked gives what the card gives, whatever is asked for.
func TestLookedReadsAlike(t *testing.T) {
	card, old := usedCard()
	l := LookThrough(card)
	for _, c := range []struct{ off, n int64 }{{0, 1}, {large - 1, 2}, {5, 3 * large}, {large, large}, {int64(len(old)) - 7, 7}} {
		b := make([]byte, c.n)
		if n, err := l.ReadAt(b, c.off); n != len(b) || err != nil || !bytes.Equal(b, old[c.off:c.off+c.n]) {
			t.Errorf("%d bytes at %d: %d, %v", c.n, c.off, n, err)
		}
	}
	if n, err := l.ReadAt(make([]byte, 10), int64(len(old))-3); n != 3 || err == nil {
		t.Errorf("past the end: %d, %v", n, err)
	}
	want := disk.NewSpans(disk.Span{Count: 4}, disk.Span{Start: cardSectors - 1, Count: 1})
	if got := l.runs(); !slices.Equal(got, want) {
		t.Errorf("it remembers %v, want %v", got, want)
	}
	if n, first := l.Used(disk.NewSpans(disk.Span{Count: 2}), nil); n != 3 || first != 2 {
		t.Errorf("%d in use outside the first two, from %d", n, first)
	}
	card.Put(2, make([]byte, large))
	if c, err := l.again(); err != nil || c != (Changes{1, 2}) {
		t.Errorf("%+v, %v", c, err)
	}
}

// Where the right for one step is missing no word is given, and the line to
// type is.
func TestNoWordWithoutRights(t *testing.T) {
	card, old := usedCard()
	card.Denied = &image.ReadError{Err: syscall.EACCES}
	req := writeRequest(deviceModel(), filepath.Join(t.TempDir(), "r"))
	req.AsRoot = "sudo this"
	for _, kind := range []receipt.Kind{receipt.Write, receipt.QuickTest, receipt.FullTest} {
		req.Kind = kind
		r, err := Rehearse(card, req)
		do(t, err)
		if !r.Refusals.Has(disk.TargetRights) || !strings.Contains(r.Refusals.Error(), "sudo this") || r.Word != (Word{}) {
			t.Errorf("%s: %v", kind, r.Refusals)
		}
	}
	if card.Written() > 0 || !bytes.Equal(content(t, card), old) {
		t.Error("a rehearsal wrote")
	}
}

// No word is given if the receipt cannot be written, and the try leaves no
// trace in the folder.
func TestNoWordWithoutAReceipt(t *testing.T) {
	card, _ := usedCard()
	dir := t.TempDir()
	path := filepath.Join(dir, "r")
	r, err := Rehearse(card, writeRequest(deviceModel(), path))
	do(t, err)
	if len(r.Refusals) > 0 {
		t.Fatal(r.Refusals)
	}
	only(t, dir)
	long := filepath.Join(dir, strings.Repeat("x", 300))
	if r, err = Rehearse(card, writeRequest(deviceModel(), long)); err == nil && len(r.Refusals) == 0 {
		t.Error("a word for a receipt whose name no file system takes")
	}
	if r, err = Rehearse(card, writeRequest(deviceModel(), "/proc/r")); err != nil || !r.Refusals.Has(disk.ReceiptFolder) {
		t.Errorf("a receipt in /proc: %v, %v", err, r)
	}
	do(t, os.Remove(dir))
}
