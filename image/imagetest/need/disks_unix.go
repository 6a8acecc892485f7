//go:build unix

package need

import (
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"testing"
)

// alone is set while a test of this process is the only one that may make
// block devices.
var alone atomic.Bool

// NewDisk is called before a test makes a block device, and release when it is
// made. A test that waits for one new disk holds off all others meanwhile.
func NewDisk(t Failer) (release func()) {
	if alone.Load() {
		return func() {}
	}
	return lockDisks(t, syscall.LOCK_SH)
}

// OnlyDisk lets nobody but this test make block devices until it ends, in this
// or another package.
func OnlyDisk(t testing.TB) {
	t.Helper()
	release := lockDisks(t, syscall.LOCK_EX)
	alone.Store(true)
	t.Cleanup(func() {
		alone.Store(false)
		release()
	})
}

func lockDisks(t Failer, how int) (release func()) {
	f, err := os.OpenFile(filepath.Join(os.TempDir(), "bootgraft-test-disks.lock"), os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		t.Fatalf("%v", err)
	}
	for {
		err := syscall.Flock(int(f.Fd()), how)
		if err == nil {
			return func() { f.Close() }
		}
		if err != syscall.EINTR {
			t.Fatalf("locking %s: %v", f.Name(), err)
		}
	}
}
