package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture/rig"
	"bootgraft/image/disk"
)

// hungUp runs a command that a device hangs, and presses Ctrl-C twice. The answer
// must be one JSON object all the same. It returns what was said last; then the device is pulled out, because the kernel
// does not let a process go whose read has not ended.
func (y *typist) hungUp(r *rig.Rig, args ...string) (last string) {
	y.t.Helper()
	c := y.command(append(args, "--json")...)
	var answer bytes.Buffer
	c.Stdout = &answer
	pipe, err := c.StderrPipe()
	if err != nil {
		y.t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		y.t.Fatal(err)
	}
	r.WaitHang()
	y.press(c)
	lines := bufio.NewScanner(pipe)
	pressed := false
	for lines.Scan() {
		text := lines.Text()
		if strings.HasPrefix(text, "Stopping in order") && !pressed {
			pressed = true
			y.press(c)
		}
		if strings.HasPrefix(text, "bootgraft: ") {
			last = text
			break
		}
	}
	r.Vanish()
	for lines.Scan() {
		last += " " + lines.Text()
	}
	if c.Wait(); c.ProcessState.ExitCode() != talk.ExitStopped {
		y.t.Errorf("%v ended with %d: %s", args, c.ProcessState.ExitCode(), last)
	}
	var object struct {
		Kind  string
		Error document.Error
	}
	if err := json.Unmarshal(answer.Bytes(), &object); err != nil || object.Kind == "" || object.Error.Code != "stopped" {
		y.t.Errorf("%v: one object that says how it ended is wanted, not %q: %v", args, answer.String(), err)
	}
	return last
}

func (y *typist) press(c *exec.Cmd) {
	y.t.Helper()
	if err := c.Process.Signal(os.Interrupt); err != nil {
		y.t.Fatal(err)
	}
}

// TestASecondCtrlCEndsAtOnce: a device that never answers holds no command
// longer than its owner wants.
func TestASecondCtrlCEndsAtOnce(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	y.invent("drive", 1)
	y.types(talk.ExitDone, "plan", "drive", "--size", "16384s", "-o", "p")
	for _, args := range [][]string{
		{"survey"}, {"verify", "p"}, {"card"}, {"kit", "make", "-o", "kit"},
	} {
		t.Run(args[0], func(t *testing.T) {
			t.Parallel() // each waits until the program tells of the second Ctrl-C
			y := y.in(t)
			r := rig.Start(t, y.path("drive"), rig.Faults{Hangs: []disk.Sector{0}})
			full := append(slices.Clone(args), r.Device)
			if last := y.hungUp(r, full...); !strings.Contains(last, "ended at once") && !strings.Contains(last, "stopped while") {
				t.Errorf("%v: %q", full, last)
			}
		})
	}
}

// tick is how long a test waits before it looks again.
func tick() <-chan time.Time { return time.After(20 * time.Millisecond) }
