// Package machine starts virtual machines for tests, and hears what the code says
// that runs in them.
package machine

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"bootgraft/image/imagetest/need"
)

// Firmware is what a machine starts with.
type Firmware string

// The firmware that machines have here.
const (
	SeaBIOS Firmware = "SeaBIOS"
	Bochs   Firmware = "second BIOS" // another INT 13h, and a machine without PCI
	UEFI    Firmware = "UEFI"
	UBoot   Firmware = "U-Boot"
)

// Machine is a machine.
type Machine struct {
	Firmware Firmware
	// Geometry is what the BIOS counts in, where its own guess would not do.
	Geometry *Geometry
	// Types is what is typed when it shows that it waits for commands.
	Types []string
}

// Geometry is cylinders, heads, and sectors of a track.
type Geometry struct{ C, H, S int64 }

// Line is the shell's line that starts a machine from a file, or from a disk that is
// shown at an address: the one that serve prints.
func Line(t testing.TB, where string) string {
	t.Helper()
	return "qemu-system-i386 -m 128 -drive 'snapshot=on,if=ide,format=raw,file=" + strings.ReplaceAll(where, ",", ",,") +
		"'"
}

// options are what stands behind the line.
func (m Machine) options(t testing.TB) []string {
	t.Helper()
	// Real mode is emulated: where KVM is within another machine, it took 30 times as
	// long as without (measured).
	o := []string{"-accel", "tcg", "-display", "none", "-nodefaults", "-no-reboot"}
	if m.Types == nil {
		o = append(o, "-debugcon", "stdio")
	} else {
		o = append(o, "-serial", "stdio")
	}
	switch m.Firmware {
	case Bochs:
		o = append(o, "-machine", "isapc", "-device", "isa-vga", "-bios",
			need.Packaged(t, "bochsbios", "usr/share/bochs/BIOS-bochs-legacy"))
	case UEFI:
		o = append(o, "-machine", "q35", "-bios", need.Packaged(t, "ovmf", "usr/share/ovmf/OVMF.fd"))
	case UBoot:
		o = append(o, "-m", "512", "-bios", need.Packaged(t, "u-boot-qemu", "usr/lib/u-boot/qemu-x86/u-boot.rom"))
	}
	if g := m.Geometry; g != nil {
		for _, p := range []string{"", "l"} {
			for name, n := range map[string]int64{"cyls": g.C, "heads": g.H, "secs": g.S} {
				o = append(o, "-global", fmt.Sprintf("ide-hd.%s%s=%d", p, name, n))
			}
		}
	}
	return o
}

// Starts runs a machine by the shell's line until mark is said, and returns what was
// said. It gives up when the code in it says ! and a letter, when the program ends,
// and when it neither runs nor waits for a processor, or has had enough of one: how
// long that takes depends on the machine, what it comes to does not.
func (m Machine) Starts(t testing.TB, line, mark string) (said string, started bool) {
	t.Helper()
	need.Tool(t, "qemu-system-i386")
	if m.Firmware == UEFI { // 64-bit
		line = strings.Replace(line, "qemu-system-i386", "qemu-system-x86_64", 1)
	}
	c := exec.Command("sh", append([]string{"-c", "exec " + line + ` "$@"`, "sh"}, m.options(t)...)...)
	var out heard
	var errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	typing, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	need.Ends(t, c)
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	began := time.Now()
	w := watch{pid: c.Process.Pid}
	why, typed := "", m.Types == nil
	for why == "" {
		select {
		case err := <-ended:
			return fmt.Sprintf("%s (ended: %v %s)", out.text(), err, strings.TrimSpace(errs.String())),
				strings.Contains(out.text(), mark)
		case <-time.After(50 * time.Millisecond):
		}
		said = out.text()
		if !typed {
			typed = m.typeTo(typing, said)
		}
		switch at := strings.LastIndexByte(said, '!'); {
		case strings.Contains(said, mark):
			started, why = true, "started"
		case m.Types == nil && at >= 0 && at < len(said)-1:
			why = "gave up"
		default:
			busy, idle := m.most()
			why = w.enough(busy, idle, time.Since(began))
		}
	}
	_ = c.Process.Kill()
	<-ended
	if !started {
		said += " (" + why + ")"
	}
	return said, started
}

// typeTo types what there is to type once the machine asks for it, and tells whether it
// did. Until then it presses a key, which stops what the machine does by itself; one too
// early is lost.
func (m Machine) typeTo(keyboard io.Writer, said string) (asked bool) {
	keys := "\n"
	if asked = strings.Contains(said, "\n=> "); asked {
		keys = strings.Join(m.Types, "\n") + "\n"
	}
	_, _ = io.WriteString(keyboard, keys)
	return asked
}

// most is how long a machine may run on a processor, and how long it may do nothing:
// three times what the slowest start took (measured); the second BIOS waits some
// seconds for a key, and UEFI and U-Boot for theirs.
func (m Machine) most() (busy, idle time.Duration) {
	switch m.Firmware {
	case UEFI, UBoot:
		return time.Minute, 15 * time.Second
	case Bochs:
		return 8 * time.Second, 15 * time.Second
	}
	return 8 * time.Second, 4 * time.Second
}

// heard is what a machine said.
type heard struct {
	mu sync.Mutex
	b  bytes.Buffer
}

var _ io.Writer = (*heard)(nil)

func (h *heard) Write(p []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.Write(p)
}

func (h *heard) text() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.String()
}

// watch looks whether a process still does something.
type watch struct {
	pid   int
	since time.Time             // when the window began in which it is watched
	then  map[string]threadTime // at that time, by thread
}

// threadTime is what a thread ran, and what it waited for a processor.
type threadTime struct{ run, waited time.Duration }

// enough says why there is no sense in waiting, or nothing. Code that runs, or waits
// for a disk by asking it, keeps a thread runnable all the time, however little of a
// processor it gets; code that has stopped wakes up for ticks of the clock only.
func (w *watch) enough(busy, idle, since time.Duration) string {
	now := w.threads()
	var ran, most time.Duration
	for name, t := range now {
		ran += t.run
		most = max(most, t.run+t.waited-w.then[name].run-w.then[name].waited)
	}
	switch passed := time.Since(w.since); {
	case ran > busy:
		return "runs on and on"
	case since > 5*time.Minute:
		return "no end"
	case w.then == nil || most > idle/2:
		w.since, w.then = time.Now(), now
	case passed > idle:
		return "does nothing"
	}
	return ""
}

// threads reads the times of all threads (Documentation/scheduler/sched-stats.rst of
// the kernel, /proc/PID/schedstat).
func (w *watch) threads() map[string]threadTime {
	out := map[string]threadTime{}
	tasks, _ := os.ReadDir(fmt.Sprintf("/proc/%d/task", w.pid))
	for _, task := range tasks {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%s/schedstat", w.pid, task.Name()))
		f := strings.Fields(string(b))
		if err != nil || len(f) < 2 {
			continue
		}
		run, _ := strconv.ParseInt(f[0], 10, 64)
		waited, _ := strconv.ParseInt(f[1], 10, 64)
		out[task.Name()] = threadTime{time.Duration(run), time.Duration(waited)}
	}
	return out
}
