//go:build linux && amd64

// Command init is the first and only process of a virtual machine for tests: it loads
// the modules that it was given, waits for disks, runs the commands of a list one after
// the other, writes what came of them to the second serial line, and ends the machine.
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"
	"unsafe"

	"bootgraft/image/imagetest/guest"
)

// From Linux, arch/x86/entry/syscalls/syscall_64.tbl and include/uapi/asm-generic/ioctls.h.
const (
	finitModule = 313
	tcsbrk      = 0x5409
)

func main() {
	if err := work(); err != nil {
		fmt.Println("init:", err)
	}
	syscall.Sync()
	_ = syscall.Reboot(syscall.LINUX_REBOOT_CMD_RESTART)
}

func work() error {
	for _, m := range []struct{ kind, on string }{{"devtmpfs", "/dev"}, {"proc", "/proc"}, {"sysfs", "/sys"},
		{"tmpfs", "/tmp"}} {
		if err := os.MkdirAll(m.on, 0o755); err != nil {
			return err
		}
		if err := syscall.Mount(m.kind, m.on, m.kind, 0, ""); err != nil {
			return fmt.Errorf("mount %s: %w", m.on, err)
		}
	}
	text, err := os.ReadFile(guest.JobPath)
	if err != nil {
		return err
	}
	var job guest.Job
	if err := json.Unmarshal(text, &job); err != nil {
		return err
	}
	for _, m := range job.Modules {
		if err := load(m); err != nil {
			return fmt.Errorf("%s: %w", m, err)
		}
	}
	waitDisks(job.Disks)
	out, err := os.OpenFile("/dev/ttyS1", os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	defer out.Close()
	enc := json.NewEncoder(out)
	for _, line := range job.Lines {
		if err := enc.Encode(run(line)); err != nil {
			return err
		}
	}
	// The machine ends when what was written has left the serial line.
	if _, _, e := syscall.Syscall(syscall.SYS_IOCTL, out.Fd(), tcsbrk, 1); e != 0 {
		return e
	}
	return nil
}

func load(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	parameters := []byte{0}
	_, _, e := syscall.Syscall(finitModule, f.Fd(), uintptr(unsafe.Pointer(&parameters[0])), 0)
	if e != 0 && e != syscall.EEXIST {
		return e
	}
	return nil
}

// waitDisks waits until the kernel has so many disks, and has read their tables.
func waitDisks(n int) {
	for range 600 {
		if all, _ := filepath.Glob("/sys/block/sd*"); len(all) >= n {
			time.Sleep(300 * time.Millisecond)
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func run(line []string) (r guest.Result) {
	var out, errs bytes.Buffer
	c := exec.Command(line[0], line[1:]...)
	c.Stdout, c.Stderr, c.Dir = &out, &errs, "/tmp"
	c.Env = []string{"PATH=/bin", "HOME=/tmp"}
	if err := c.Run(); c.ProcessState == nil {
		return guest.Result{Code: -1, Errors: err.Error()}
	}
	return guest.Result{Code: c.ProcessState.ExitCode(), Output: out.String(), Errors: errs.String()}
}
