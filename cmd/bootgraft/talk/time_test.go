package talk

import (
	"testing"
	"time"
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
