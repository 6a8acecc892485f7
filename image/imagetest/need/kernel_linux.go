package need

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
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
		detach(t, node)
		back()
	})
	return node
}

// loopClearFD is LOOP_CLR_FD of the kernel's uapi/linux/loop.h.
const loopClearFD = 0x4C01

// Detach takes the file of a loop device away. It is no error if it is gone.
func Detach(node string) error {
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

// detach waits until the kernel has let go of the device too: it does so when
// the last program that holds it ends.
func detach(t testing.TB, node string) {
	if err := Detach(node); err != nil {
		t.Errorf("%s cannot be detached: %v", node, err)
		return
	}
	busy := "/sys/block/" + filepath.Base(node) + "/loop"
	for range 500 {
		if _, err := os.Stat(busy); err != nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%s is still attached", node)
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
