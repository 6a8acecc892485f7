package need

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

// A test process that is killed runs no clean-up, and the kernel keeps what it
// has lent: loop devices, and mounts. Worse, one that serves a file system and
// waits for it in another thread never ends, and whoever asks what lies below its
// loop device waits too. So a second process of the same program stands by, knows
// what is lent, and gives it back as soon as the first has ended.

// guardEnv names the process for which this one stands by.
const guardEnv = "BOOTGRAFT_TEST_GUARD_OF"

func init() {
	if pid, err := strconv.Atoi(os.Getenv(guardEnv)); err == nil {
		signal.Ignore(syscall.SIGPIPE) // the first process may have ended before it hears
		standBy(pid, os.Stdin, os.Stdout)
		os.Exit(0)
	}
}

// LentMount tells that a folder is about to be mounted on, and back that it is
// free again.
func LentMount(t Failer, folder string) (back func()) { return lent(t, "mount "+folder) }

// guard is the process that stands by.
var guard struct {
	sync.Mutex
	lines io.Writer
	heard io.Reader
}

func lent(t Failer, what string) (back func()) {
	if err := tell("+" + what); err != nil {
		t.Fatalf("nobody would give back %s: %v", what, err)
	}
	return sync.OnceFunc(func() { tell("-" + what) }) // if nobody listens, nobody gives it back twice
}

// tell tells a line to the process that stands by, which is started for the first,
// and waits until it has heard it: this process may be killed at once.
func tell(line string) error {
	guard.Lock()
	defer guard.Unlock()
	if guard.lines == nil {
		cmd := exec.Command("/proc/self/exe")
		cmd.Env = append(os.Environ(), guardEnv+"="+strconv.Itoa(os.Getpid()))
		cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C is for the tests
		lines, err := cmd.StdinPipe()
		if err != nil {
			return err
		}
		heard, err := cmd.StdoutPipe()
		if err != nil {
			return err
		}
		if err := cmd.Start(); err != nil {
			return err
		}
		guard.lines, guard.heard = lines, heard
	}
	if _, err := fmt.Fprintln(guard.lines, line); err != nil {
		return err
	}
	_, err := io.ReadFull(guard.heard, make([]byte, 1))
	return err
}

// standBy notes what is lent until the process ends, and gives it back, the last
// first. The end of the lines is its end; but one of which a thread hangs in the
// kernel keeps them open, and is told by what the kernel says of it.
func standBy(pid int, lines io.Reader, heard io.Writer) {
	var mu sync.Mutex
	var lent []string
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for in := bufio.NewScanner(lines); in.Scan(); {
			what := in.Text()[1:]
			mu.Lock()
			if lent = slices.DeleteFunc(lent, func(s string) bool { return s == what }); in.Text()[0] == '+' {
				lent = append(lent, what)
			}
			mu.Unlock()
			heard.Write([]byte{'.'})
		}
	}()
	for waiting := true; waiting && running(pid); {
		select {
		case <-ended:
			waiting = false
		case <-time.After(200 * time.Millisecond):
		}
	}
	mu.Lock()
	defer mu.Unlock()
	slices.Reverse(lent)
	for _, kind := range []string{"mount ", "loop "} {
		for _, what := range lent {
			if name, ok := strings.CutPrefix(what, kind); !ok {
				continue
			} else if kind == "mount " {
				// MNT_FORCE ends every wait for an own file system (umount(2)).
				syscall.Unmount(name, syscall.MNT_FORCE|syscall.MNT_DETACH)
			} else {
				attached, node, _ := strings.Cut(name, " ")
				detach(node, attached)
			}
		}
	}
}

// running tells whether a process works on. One that was killed may wait in the
// kernel, before its end or in the middle of it, for a file system of its own: the
// signal is then pending (proc_pid_status(5)), or its flags say that it ends.
func running(pid int) bool {
	const (
		state, flags = 0, 6   // of the fields behind the name in brackets, proc_pid_stat(5)
		exiting      = 0x4    // PF_EXITING of the kernel's include/linux/sched.h
		killed       = 1 << 8 // signal 9 in a mask that begins with signal 1
	)
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	fields := bytes.Fields(stat[bytes.LastIndexByte(stat, ')')+1:])
	if len(fields) <= flags || bytes.ContainsAny(fields[state], "ZX") {
		return false
	}
	if set, err := strconv.ParseUint(string(fields[flags]), 10, 64); err != nil || set&exiting != 0 {
		return false
	}
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return false
	}
	for line := range bytes.Lines(status) {
		name, mask, _ := bytes.Cut(line, []byte(":"))
		if string(name) != "SigPnd" && string(name) != "ShdPnd" {
			continue
		}
		pending, err := strconv.ParseUint(string(bytes.TrimSpace(mask)), 16, 64)
		if err != nil || pending&killed != 0 {
			return false
		}
	}
	return true
}
