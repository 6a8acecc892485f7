package capture

import (
	"errors"
	"os"
	"syscall"
)

func freeBytes(dir string) int64 {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return -1
	}
	return int64(st.Bavail) * int64(st.Frsize) // statvfs(3): blocks are counted in fragments
}

// syncFolder makes the names in a folder durable.
func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func isNoSpace(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

func isTooLarge(err error) bool { return errors.Is(err, syscall.EFBIG) }
