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

// NewDisk is called before a test makes a block device, and release as soon as
// it is made. One is made at a time: of two programs that look for a free loop
// device at once, the slower one has that of the other open for a moment, which
// is a use of it that the guards see. A test that waits for one new disk holds
// off all others meanwhile. A test that ends before release lets go too.
func NewDisk(t Failer) (release func()) {
	if alone.Load() {
		return func() {}
	}
	release = lockDisks(t)
	if t, ok := t.(testing.TB); ok {
		t.Cleanup(release)
	}
	return release
}

// OnlyDisk lets nobody but this test make block devices until it ends, in this
// or another package.
func OnlyDisk(t testing.TB) {
	t.Helper()
	release := lockDisks(t)
	alone.Store(true)
	t.Cleanup(func() {
		alone.Store(false)
		release()
	})
}

func lockDisks(t Failer) (release func()) {
	f, err := os.OpenFile(filepath.Join(os.TempDir(), "bootgraft-test-disks.lock"), os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		t.Fatalf("%v", err)
	}
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX)
		if err == nil {
			return func() { f.Close() } // a second call does nothing
		}
		if err != syscall.EINTR {
			t.Fatalf("locking %s: %v", f.Name(), err)
		}
	}
}
