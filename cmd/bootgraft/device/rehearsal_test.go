package device

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/safety"
	"bootgraft/safety/held"
)

// waitedFor is a card that was waited for, at a terminal where somebody types.
func waitedFor(typed string) (*work, *bytes.Buffer) {
	var out bytes.Buffer
	u := &talk.UI{Out: &out, Err: &out, In: strings.NewReader(typed), Asks: true}
	return &work{UI: u, path: "/dev/card", waited: true, held: &held.Card{}, show: func(*safety.Rehearsal) {}}, &out
}

// A card that was waited for is held while the word is asked for: only the very
// word goes on.
func TestWordIsAskedFor(t *testing.T) {
	r := &safety.Rehearsal{Word: safety.Word{"k4t7", "h3x9", "m5r2w8"}}
	for typed, want := range map[string]bool{
		"k4t7-h3x9-m5r2w8\n": true, "  k4t7-h3x9-m5r2w8": true,
		"": false, "\n": false, "yes\n": false, "k4t7-h3x9-m5r2w9\n": false, "k4t7-h3x9\n": false,
	} {
		w, out := waitedFor(typed)
		word, err := w.rehearsed(r)
		if !strings.Contains(out.String(), "NOTHING HAS BEEN WRITTEN YET") {
			t.Errorf("it is not said that nothing was written:\n%s", out)
		}
		if want && (err != nil || word != "k4t7-h3x9-m5r2w8") {
			t.Errorf("%q: %q, %v", typed, word, err)
		}
		if !want && (word != "" || talk.ExitCode(err) != talk.ExitRefused) {
			t.Errorf("%q: %q, %v", typed, word, err)
		}
	}
}

// Nobody is asked where the card was named, or where the answer is JSON.
func TestWordIsNotAskedFor(t *testing.T) {
	r := &safety.Rehearsal{Word: safety.Word{"k4t7", "h3x9", "m5r2w8"}}
	for _, change := range []func(*work){
		func(w *work) { w.waited = false }, func(w *work) { w.Asks = false }, func(w *work) { w.JSON = true },
	} {
		w, out := waitedFor("k4t7-h3x9-m5r2w8\n")
		change(w)
		if word, err := w.rehearsed(r); word != "" || err != nil {
			t.Errorf("%q, %v", word, err)
		}
		if !w.JSON && !strings.Contains(out.String(), "k4t7-h3x9-m5r2w8") { // an object is written when the program ends
			t.Errorf("the word is not given:\n%s", out)
		}
	}
}

// Work that stopped ends with 4 once something was written, whatever stopped
// it, and otherwise as what stopped it says.
func TestHowStoppedWorkEnds(t *testing.T) {
	refusal := safety.Refusals{{Code: disk.TargetMounted, Path: "/dev/card", Why: "it is mounted", Do: "unmount it"}}
	for _, c := range []struct {
		err  error
		want int
	}{
		{&safety.Stopped{Touched: true, Fenced: true, Err: errors.New("a write failed")}, talk.ExitFenced},
		{&safety.Stopped{Touched: true, Err: refusal}, talk.ExitFenced},
		{&safety.Stopped{Err: refusal}, talk.ExitRefused},
		{&safety.Stopped{Err: refusal[0]}, talk.ExitRefused},
		{&safety.Stopped{Err: errors.New("a read failed")}, talk.ExitFailed},
		{nil, talk.ExitDone},
	} {
		w, _ := waitedFor("")
		if got := talk.ExitCode(w.stopped(c.err)); got != c.want {
			t.Errorf("%v ends with %d, want %d", c.err, got, c.want)
		}
	}
}

// What a card holds is lost only if its owner gives the code for just that: one
// code accepts no other loss.
func TestEachLossIsAskedAbout(t *testing.T) {
	files, closed, unknown := held.Card{Files: 3}, held.Card{Closed: true}, held.Card{Names: []string{"LUKS"}}
	other, both := held.Card{}, held.Card{Files: 1, Names: []string{"XFS"}}
	other.Other.Sectors = 1
	for name, test := range map[string]struct {
		holds  held.Card
		accept []disk.Code
		want   []disk.Code
	}{
		"blank":                        {held.Card{}, nil, nil},
		"files":                        {files, nil, []disk.Code{disk.CardHoldsFiles}},
		"files, accepted":              {files, []disk.Code{disk.CardHoldsFiles}, nil},
		"files, another code":          {files, []disk.Code{disk.CardHoldsUnknown}, []disk.Code{disk.CardHoldsFiles}},
		"a volume that cannot be read": {closed, nil, []disk.Code{disk.CardHoldsFiles}},
		"a volume of a known name":     {unknown, nil, []disk.Code{disk.CardHoldsUnknown}},
		"sectors in use":               {other, nil, []disk.Code{disk.CardHoldsUnknown}},
		"sectors in use, accepted":     {other, []disk.Code{disk.CardHoldsUnknown}, nil},
		"sectors in use, another code": {other, []disk.Code{disk.CardHoldsFiles}, []disk.Code{disk.CardHoldsUnknown}},
		"both":                         {both, nil, []disk.Code{disk.CardHoldsFiles, disk.CardHoldsUnknown}},
		"both, one accepted":           {both, []disk.Code{disk.CardHoldsFiles}, []disk.Code{disk.CardHoldsUnknown}},
	} {
		w, _ := waitedFor("")
		w.held, w.flags.Accept = &test.holds, test.accept
		var got []disk.Code
		for _, r := range w.lossRefusals() {
			got = append(got, r.Code)
		}
		if !slices.Equal(got, test.want) {
			t.Errorf("%s: %v, want %v", name, got, test.want)
		}
	}
}
