package page

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// inventedView is the view of a capture whose steps the test sees, and what it says.
func inventedView() (v *View, steps *[]talk.Step, said *bytes.Buffer) {
	said, steps = &bytes.Buffer{}, &[]talk.Step{}
	v = &View{ui: &talk.UI{Err: said}, sectorSize: 512, told: map[capture.Class]bool{}, now: time.Now,
		show: func(s talk.Step) { *steps = append(*steps, s) }}
	return v, steps, said
}

func last(steps *[]talk.Step) talk.Step { return (*steps)[len(*steps)-1] }

// TestTheViewIsOneLine: of a capture stands in the line what is done, how much of how much is
// safe, the share of the whole work, the time left as the engine knows it, and, for which
// there may be no room, what is lost. The estimate is the one of the engine, which gives
// none in the first 5 seconds.
func TestTheViewIsOneLine(t *testing.T) {
	v, steps, _ := inventedView()
	v.Progress(capture.Progress{
		Doing: "reading", Class: capture.Files, Elapsed: 61 * time.Second, Share: 0.424, Left: time.Hour, At: 7,
		Classes: map[capture.Class]capture.Tally{capture.Free: {Total: 2_000_000, Safe: 1_000_000, Lost: 3, Skipped: 500}, capture.Boot: {Total: 100}},
		Clock:   capture.Progress{}.Clock,
	})
	want := talk.Step{What: "reading files", Done: 512_000_000, Total: 512 * 1_999_600, Share: 0.424, Left: time.Hour,
		Judged: true, More: []string{"3 sectors lost"}}
	if got := last(steps); got.What != want.What || got.Done != want.Done || got.Total != want.Total || got.Share != want.Share ||
		got.Left != want.Left || got.Judged != want.Judged || strings.Join(got.More, ";") != strings.Join(want.More, ";") {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// TestTheViewTellsWhatHasNoRoom: what the line cannot hold is said once, when it is true:
// what became of each worth of sectors, when all of them are decided and none changes its
// worth any more.
func TestTheViewTellsWhatHasNoRoom(t *testing.T) {
	v, _, said := inventedView()
	p := capture.Progress{Doing: "reading", Class: capture.Boot, At: -1, Classes: map[capture.Class]capture.Tally{
		capture.Boot: {Total: 1000, Safe: 990, Lost: 8, Skipped: 2}, capture.Tables: {Total: 4, Safe: 3}, capture.Files: {}}}
	v.Progress(p)
	if said.Len() > 0 {
		t.Errorf("before all is sorted: %s", said)
	}
	p.Sorted = true
	v.Progress(p)
	v.Progress(p)
	if got := said.String(); got != "Boot areas: 506.9 kB safe, 8 sectors lost, 2 sectors left out.\n" {
		t.Errorf("%q", got)
	}
	p.Classes[capture.Tables] = capture.Tally{Total: 4, Safe: 4}
	v.Progress(p)
	if got := said.String(); !strings.HasSuffix(got, "\nAllocation tables: 2,048 bytes safe.\n") {
		t.Errorf("%q", got)
	}
}

// TestTheViewSaysThatADriveLetsWait: a read that does not return is named with its sector and
// its time, and a rest with how long it is; what comes then is shown as before.
func TestTheViewSaysThatADriveLetsWait(t *testing.T) {
	v, steps, _ := inventedView()
	began := time.Date(2007, 1, 1, 0, 0, 0, 0, time.UTC)
	now := began
	v.now = func() time.Time { return now }
	v.Progress(capture.Progress{Doing: "reading", Class: capture.Free, At: 7_700})
	now = began.Add(12 * time.Second)
	v.wait()
	if got := last(steps).What; got != "waiting for sector 7,700, 0:12" {
		t.Errorf("%q", got)
	}
	v.Event(capture.Event{Kind: capture.EventRest, Took: 20 * time.Minute})
	now = now.Add(90 * time.Second)
	v.wait()
	if got := last(steps).What; got != "resting for 20:00, 1:30 so far" {
		t.Errorf("%q", got)
	}
	v.Progress(capture.Progress{Doing: "missing sectors once more", At: disk.NoSector})
	if got := last(steps).What; got != "missing sectors once more" {
		t.Errorf("%q", got)
	}
}
