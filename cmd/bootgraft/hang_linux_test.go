package main

import (
	"bufio"
	"os"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture/rig"
	"bootgraft/image/disk"
)

// hangsThen starts a capture, and ends it by a signal when the drive hangs: in
// order, or by force. It returns the code, and how often the sector was met.
func (y *typist) hangsThen(sig os.Signal, sector disk.Sector) (met int, done bool) {
	y.t.Helper()
	r := rig.Start(y.t, y.path("drive"), rig.Faults{Hangs: []disk.Sector{sector}})
	c := y.command("capture", r.Device, "old.img", "--looks", "1")
	pipe, err := c.StderrPipe()
	if err != nil {
		y.t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		y.t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for lines := bufio.NewScanner(pipe); lines.Scan(); {
			if strings.HasPrefix(lines.Text(), "bootgraft: ") {
				r.Vanish() // the kernel does not let it end before the read does
			}
		}
	}()
	count := func() (n int) {
		for _, a := range r.Log() {
			if a.Holds(sector) {
				n++
			}
		}
		return n
	}
	for waiting := true; waiting; {
		select {
		case <-ended:
			waiting = false
		case <-tick():
			if rec, _ := os.ReadFile(y.path("old.img.record")); !lastLineIs(rec, "silent") || count() == 0 {
				continue
			}
			if err := c.Process.Signal(sig); err != nil {
				y.t.Fatal(err)
			}
			if sig == os.Kill {
				r.Vanish()
			}
			<-ended
			waiting = false
		}
	}
	met = count()
	r.Vanish()
	c.Wait()
	return met, c.ProcessState.ExitCode() == talk.ExitIncomplete
}

func lastLineIs(record []byte, verb string) bool {
	text := strings.TrimSpace(string(record))
	word := strings.Fields(text[strings.LastIndex(text, "\n")+1:])
	return len(word) > 1 && word[1] == verb
}

// TestAHangingSectorIsMetTwice: whether its owner presses Ctrl-C or kills the
// runs that hang, a sector that never answers is met twice, and all others are
// read.
func TestAHangingSectorIsMetTwice(t *testing.T) {
	t.Parallel()
	for _, sig := range []os.Signal{os.Interrupt, os.Kill} {
		t.Run(sig.String(), func(t *testing.T) {
			t.Parallel()
			y := newTypist(t)
			content := y.invent("drive", 5)
			meetings, done := 0, false
			for run := 0; run < 5 && !done; run++ {
				var n int
				n, done = y.hangsThen(sig, 9000)
				meetings += n
			}
			if !done || meetings != 2 {
				t.Errorf("%d meetings, done %v", meetings, done)
			}
			y.holds("old.img", content, disk.Spans{{Start: 9000, Count: 1}})
		})
	}
}

// TestASecondRunAsksADriveThatHangsNothing: two windows, the same line typed in both. The
// second run is refused at once, also where the drive would not have answered it.
func TestASecondRunAsksADriveThatHangsNothing(t *testing.T) {
	y := newTypist(t)
	y.invent("drive", 4)
	r := rig.Start(t, y.path("drive"), rig.Faults{Hangs: []disk.Sector{8000}})
	first := y.command("capture", r.Device, "old.img")
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	met := func() bool { return slices.ContainsFunc(r.Log(), func(a rig.Access) bool { return a.Holds(8000) }) }
	for !met() {
		<-tick()
	}
	before := len(r.Log())
	for _, drive := range []string{r.Device, y.path("no drive")} { // not even opened
		_, told := y.types(talk.ExitRefused, "capture", drive, "old.img")
		y.says(told, "another run of this program works on")
	}
	if after := len(r.Log()); after != before {
		t.Errorf("the drive was asked %d times more", after-before)
	}
	r.Vanish()
	if first.Wait(); first.ProcessState.ExitCode() != talk.ExitStopped {
		t.Errorf("the first run ended with %v", first.ProcessState)
	}
}
