package page

import (
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
)

// An estimate is never finer than it can be known.
func TestEstimatesAreRound(t *testing.T) {
	for d, want := range map[time.Duration]string{
		20 * time.Second:               "less than a minute left",
		75 * time.Second:               "about 1 minute left",
		7*time.Minute + 40*time.Second: "about 8 minutes left",
		33 * time.Minute:               "about 35 minutes left",
		2*time.Hour + 52*time.Minute:   "about 2 h 45 min left",
		41*time.Hour + 25*time.Minute:  "about 41 hours left",
		90 * time.Hour:                 "about 4 days left",
	} {
		if got := aboutLeft(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}

// How long it has gone on, and how much is done, is always shown; the classes
// when no safe sector moves between them any more.
func TestTheViewSaysHowFarItHasCome(t *testing.T) {
	v := &View{ui: &talk.UI{}, sectorSize: 512, heard: time.Now()}
	v.last = capture.Progress{
		Elapsed: 61 * time.Second, Share: 0.424, At: -1,
		Classes: map[capture.Class]capture.Tally{capture.Free: {Total: 2_000_000, Safe: 1_000_000}, capture.Boot: {Total: 100}},
	}
	text := strings.Join(v.Lines(), "\n")
	if !strings.Contains(text, "1:01, 42 % of the work") || strings.Contains(text, "left") || strings.Contains(text, "free") || !strings.Contains(text, "all") {
		t.Errorf("%s", text)
	}
	v.last.Sorted, v.last.Left = true, time.Hour
	if text = strings.Join(v.Lines(), "\n"); !strings.Contains(text, "free") || !strings.Contains(text, "about 1 h 0 min left") {
		t.Errorf("%s", text)
	}
	if text := v.line(); !strings.Contains(text, "1:01, 42 % of the work") {
		t.Errorf("%s", text)
	}
}
