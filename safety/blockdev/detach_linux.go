package blockdev

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// Detach takes the disk away from the system, so that nothing mounts a fresh
// card before it is pulled, and lets it go. Where the disk cannot be taken away
// it is let go with its new table read, and detached is false.
func (t *Target) Detach() (detached bool, err error) {
	if t.fd < 0 {
		return false, errNotHeld
	}
	disk := wholeDisk(sysDir(t.st.Rdev))
	device, err := filepath.EvalSymlinks(filepath.Join(disk, "device"))
	if err == nil && busOf(disk) == "usb" {
		detached, err = true, os.WriteFile(filepath.Join(device, "delete"), []byte("1"), 0)
	} else if err == nil && busOf(disk) == "mmc" {
		detached, err = true, os.WriteFile(filepath.Join(device, "driver/unbind"), []byte(filepath.Base(device)), 0)
	} else {
		err = t.rescan()
	}
	return detached && err == nil, errors.Join(err, t.Close())
}

// rescan makes the kernel read the new partition table. A disk that has no
// partitions by its nature answers EINVAL, which is no failure.
func (t *Target) rescan() error {
	_, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(t.fd), unix.BLKRRPART, 0)
	if e != 0 && e != unix.EINVAL {
		return fmt.Errorf("the kernel could not read the new partition table: %w", e)
	}
	return nil
}
