package page

import (
	"testing"

	"bootgraft/layout/scan/second"
)

func TestOpinionLine(t *testing.T) {
	all := []second.Opinion{
		{About: "the mbr table", Verdict: second.Agrees, Compared: second.Compared{Entries: 4}},
		{About: "volume 1", Verdict: second.Agrees, Compared: second.Compared{Entries: 9, Contents: 1}},
		{About: "volume 2", Verdict: second.Cannot}, {About: "volume 3", Verdict: second.Differs},
	}
	want := "Second reader DIFFERS on volume 3; agrees on the mbr table (4 entries), volume 1 (1 file); cannot read volume 2."
	if got := opinionLine(all); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if got := opinionLine(nil); got != "" {
		t.Errorf("a line about nothing: %s", got)
	}
}
