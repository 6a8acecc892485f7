package need

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// What the kernel lends to a test is given back by the test's clean-up through
// the kernel alone, with no program that may be absent by then, and is given back
// also where the test failed in the middle.

// FUSE skips or fails a test that must serve a file system of its own.
func FUSE(t testing.TB) {
	t.Helper()
	Root(t)
	if f, err := os.OpenFile("/dev/fuse", os.O_RDWR, 0); err != nil {
		Absent(t, "/dev/fuse")
	} else {
		f.Close()
	}
}

// Loop makes a block device of a file until the test ends. more are arguments of
// losetup(8).
func Loop(t testing.TB, file string, more ...string) (node string) {
	t.Helper()
	Root(t)
	tool := Tool(t, "losetup")
	if _, err := os.Stat("/dev/loop-control"); err != nil {
		Absent(t, "/dev/loop-control")
	}
	release := NewDisk(t)
	args := append([]string{"--find", "--show"}, more...)
	out, err := exec.Command(tool, append(args, file)...).CombinedOutput()
	release()
	if err != nil {
		Absent(t, "a loop device: "+strings.TrimSpace(string(out)))
	}
	node = strings.TrimSpace(string(out))
	back := LentLoop(t, node)
	t.Cleanup(func() {
		if err := back(); err != nil {
			t.Error(err)
		}
	})
	return node
}

// Reattach takes the file of a loop device away and, after between, gives it
// another or the same one, which the test's clean-up takes away again. Nobody else
// gets the device meanwhile. more are arguments of losetup(8).
func Reattach(t testing.TB, node, file string, between func(), more ...string) {
	t.Helper()
	tool := Tool(t, "losetup")
	release := NewDisk(t)
	defer release()
	if out, err := exec.Command(tool, "--detach", node).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	between()
	if out, err := exec.Command(tool, append(slices.Clone(more), node, file)...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	back := LentLoop(t, node)
	t.Cleanup(func() {
		if err := back(); err != nil {
			t.Error(err)
		}
	})
}

// LentLoop tells that a loop device was made, however that was done. back detaches
// it and waits until the kernel has let go of it, which happens when the last
// program that holds it ends. A device that the test has detached, and that
// another program may have got since, is left alone.
func LentLoop(t Failer, node string) (back func() error) {
	now := attachment(node)
	told := lent(t, "loop "+now+" "+node)
	return func() error {
		defer told()
		if err := detach(node, now); err != nil {
			return fmt.Errorf("%s cannot be detached: %w", node, err)
		}
		for range 500 {
			if attachment(node) != now {
				return nil
			}
			time.Sleep(10 * time.Millisecond)
		}
		return fmt.Errorf("%s is still attached", node)
	}
}

// attachment tells one file on a loop device from the next: the kernel counts
// them (diskseq, Documentation/ABI/stable/sysfs-block). A device without a file
// has none.
func attachment(node string) string {
	sys := "/sys/block/" + filepath.Base(node)
	if _, err := os.Stat(sys + "/loop"); err != nil {
		return "none"
	}
	number, err := os.ReadFile(sys + "/diskseq")
	if err != nil {
		return "uncounted" // before Linux 5.15
	}
	return strings.TrimSpace(string(number))
}

// loopClearFD is LOOP_CLR_FD of the kernel's uapi/linux/loop.h.
const loopClearFD = 0x4C01

// detach takes the file of a loop device away if it is still the attachment that
// was meant.
func detach(node, was string) error {
	if attachment(node) != was {
		return nil
	}
	f, err := os.OpenFile(node, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	if _, _, e := syscall.Syscall(syscall.SYS_IOCTL, f.Fd(), loopClearFD, 0); e != 0 && e != syscall.ENXIO {
		return e
	}
	return nil
}

// Mount mounts a device or folder on a folder until the test ends. more are
// arguments of mount(8).
func Mount(t testing.TB, what, folder string, more ...string) {
	t.Helper()
	Root(t)
	tool := Tool(t, "mount")
	back := LentMount(t, folder)
	if out, err := exec.Command(tool, append(append([]string{}, more...), what, folder)...).CombinedOutput(); err != nil {
		t.Fatalf("mount %s %s: %v: %s", what, folder, err, out)
	}
	t.Cleanup(func() {
		if err := Unmount(folder); err != nil {
			t.Errorf("%s stays mounted: %v", folder, err)
		}
		back()
	})
}

// Unmount takes a mount away even while something in it is open. It is no error
// if there is none.
func Unmount(folder string) error {
	err := syscall.Unmount(folder, syscall.MNT_DETACH)
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOENT) { // umount(2): no mount point
		return nil
	}
	return err
}
