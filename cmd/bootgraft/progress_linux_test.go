package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/imagetest/need"
)

// screen is a terminal that is drawn by tmux(1), which folds its lines anew when its
// width changes.
type screen struct {
	*typist
	tmux []string // the command, and its own server
}

// screen opens a terminal in which one command line runs, of which the end can be seen.
func (y *typist) screen(cells int, line string) *screen {
	y.t.Helper()
	dir, err := os.MkdirTemp("", "screen")
	if err != nil {
		y.t.Fatal(err)
	}
	s := &screen{y, []string{need.Tool(y.t, "tmux"), "-f", "/dev/null", "-S", filepath.Join(dir, "tmux")}}
	y.t.Cleanup(func() {
		_ = exec.Command(s.tmux[0], append(s.tmux[1:], "kill-server")...).Run() // it may have ended
		_ = os.RemoveAll(dir)
	})
	s.does("new-session", "-d", "-x", strconv.Itoa(cells), "-y", "24", "-c", y.dir, line+"; echo It is OVER; exec sleep 600")
	return s
}

func (s *screen) does(args ...string) string {
	s.t.Helper()
	c := exec.Command(s.tmux[0], append(s.tmux[1:], args...)...)
	c.Env = append(os.Environ(), "SHELL=/bin/sh") // the one of who runs this may be none
	out, err := c.CombinedOutput()
	if err != nil {
		s.t.Fatalf("tmux %v: %v\n%s", args, err, out)
	}
	return string(out)
}

// shows is what stands on the screen, and what has left it at the top.
func (s *screen) shows() string { return s.does("capture-pane", "-p", "-S", "-") }

// until waits for what must come in the end.
func (s *screen) until(what string, come func() bool) {
	s.t.Helper()
	for end := time.Now().Add(time.Minute); !come(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			s.t.Fatalf("%s never came:\n%s", what, s.shows())
		}
	}
}

// slowly runs a command until a line about its work stands on the screen, which names one of
// its steps, and stops it there, between two looks. pid is 0 if it was over before it could be looked at.
func (y *typist) slowly(cells int, line string, drawn *regexp.Regexp) (s *screen, pid int, shown string) {
	y.t.Helper()
	_ = os.Remove(y.path("pid")) // of another try
	// What was typed before stands above it: tmux keeps what it pushes out of a screen.
	s = y.screen(cells, "seq 30; sh -c 'echo $$ >pid; kill -STOP $$; exec "+line+"'")
	s.until("the process", func() bool {
		b, err := os.ReadFile(s.path("pid"))
		if err != nil {
			return false
		}
		pid, err = strconv.Atoi(strings.TrimSpace(string(b)))
		return err == nil && stoppedNow(pid)
	})
	for {
		_ = syscall.Kill(pid, syscall.SIGCONT)
		// A look takes many times as long, so that it draws a line every few of these however fast the
		// disk is; how far it comes is no matter.
		time.Sleep(2 * time.Millisecond)
		_ = syscall.Kill(pid, syscall.SIGSTOP)
		s.until("the stop", func() bool { return stoppedNow(pid) || gone(pid) })
		if gone(pid) {
			return s, 0, ""
		}
		if text := s.shows(); drawn.MatchString(text) {
			return s, pid, text
		}
	}
}

// Lines about a write, and about a capture.
var (
	lineOfWrite   = regexp.MustCompile(`(?m)^ +[0-9]+% .*writing.*$`)
	lineOfCapture = regexp.MustCompile(`(?m)^ +[0-9]+% .*(reading|looking).*$`)
)

func state(pid int) string {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return ""
	}
	fields := strings.Fields(string(b[strings.LastIndexByte(string(b), ')')+1:]))
	return fields[0]
}

func stoppedNow(pid int) bool { return state(pid) == "T" }
func gone(pid int) bool       { return state(pid) == "" || state(pid) == "Z" }

// TestProgressLeavesNothing: on terminals of 40, 60 and 80 columns, and on one that gets
// another width in the midst of it, the line about a write, and that about a
// capture, has room, and nothing of it is left when the work is done. The judge is tmux(1).
func TestProgressLeavesNothing(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	if err := saveDemoDrive(y.path("old.img")); err != nil {
		t.Fatal(err)
	}
	y.types(0, "plan", "old.img", "--size", "614400s", "--excess", "zero", "-o", "c.plan")
	for i, x := range []struct {
		cells [2]int
		line  string // what is typed; its last word gets a name of its own
		drawn *regexp.Regexp
		says  string
	}{
		{[2]int{40, 40}, "write c.plan card", lineOfWrite, "sectors written"}, {[2]int{60, 60}, "write c.plan card", lineOfWrite, "sectors written"},
		{[2]int{80, 80}, "write c.plan card", lineOfWrite, "sectors written"}, {[2]int{80, 40}, "write c.plan card", lineOfWrite, "sectors written"},
		{[2]int{40, 100}, "write c.plan card", lineOfWrite, "sectors written"}, {[2]int{40, 40}, "capture old.img saved", lineOfCapture, "SHA-256 of the"},
		{[2]int{80, 40}, "capture old.img saved", lineOfCapture, "SHA-256 of the"},
	} {
		cells := x.cells
		var s *screen
		pid, text := 0, ""
		for try := 0; pid == 0; try++ { // a fast disk may be done before it is looked at
			if try == 20 {
				t.Fatalf("%s: no line was seen in 20 runs", x.line)
			}
			s, pid, text = y.slowly(cells[0], fmt.Sprintf("%s %s-%d-%d.img", y.bin, x.line, i, try), x.drawn)
		}
		if line := x.drawn.FindString(text); words.Cells(line) >= cells[0] {
			t.Errorf("on %d columns the line takes %d: %q", cells[0], words.Cells(line), line)
		}
		if cells[0] != cells[1] {
			s.does("resize-window", "-x", strconv.Itoa(cells[1]), "-y", "24")
		}
		if err := syscall.Kill(pid, syscall.SIGCONT); err != nil {
			t.Fatal(err)
		}
		s.until("the end", func() bool { return regexp.MustCompile(`(?m)^It is OVER`).MatchString(s.shows()) })
		if text = s.shows(); strings.Contains(text, "%") || x.drawn.MatchString(text) || !strings.Contains(text, x.says) {
			t.Errorf("from %d to %d columns there stands\n%s", cells[0], cells[1], text)
		}
	}
}
