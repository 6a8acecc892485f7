package need

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
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
		standBy(pid, os.Stdin)
		os.Exit(0)
	}
}

// LentMount tells that a folder is about to be mounted on, and back that it is
// free again.
func LentMount(t Failer, folder string) (back func()) { return lent(t, "mount "+folder) }

// LentLoop tells that a loop device was made, and back that it is gone.
func LentLoop(t Failer, node string) (back func()) { return lent(t, "loop "+node) }

// guard tells a line to the process that stands by, and starts it for the first.
var guard struct {
	sync.Mutex
	lines io.Writer
}

func lent(t Failer, what string) (back func()) {
	if err := tell("+" + what); err != nil {
		t.Fatalf("nobody would give back %s: %v", what, err)
	}
	return sync.OnceFunc(func() { tell("-" + what) }) // if nobody listens, nobody gives it back twice
}

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
		if err := cmd.Start(); err != nil {
			return err
		}
		guard.lines = lines
	}
	_, err := fmt.Fprintln(guard.lines, line)
	return err
}

// standBy notes what is lent until the process ends, and gives it back, the last
// first. The end of the lines is its end; but one of which a thread hangs in the
// kernel keeps them open, and is told by its state.
func standBy(pid int, lines io.Reader) {
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
				Detach(name)
			}
		}
	}
}

// running tells whether a process has not ended: the third field of proc_pid_stat(5),
// behind the name in brackets.
func running(pid int) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, rest, _ := bytes.Cut(b[bytes.LastIndexByte(b, ')')+1:], []byte(" "))
	return len(rest) > 0 && rest[0] != 'Z' && rest[0] != 'X'
}
