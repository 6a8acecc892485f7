package newfile

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// Lock takes the file for this run until it is closed. Only one byte far behind
// the end is locked, because a lock here also keeps others from reading. The
// error is ErrInUse if another run has it.
func Lock(f *os.File) error {
	at := &windows.Overlapped{OffsetHigh: 0x7FFF_FFFF}
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0,
		1, 0, at)
	switch {
	case errors.Is(err, windows.ERROR_LOCK_VIOLATION), errors.Is(err, windows.ERROR_IO_PENDING):
		return ErrInUse
	case errors.Is(err, windows.ERROR_INVALID_FUNCTION), errors.Is(err, windows.ERROR_NOT_SUPPORTED):
		return nil // a share that knows no locks
	}
	return err
}
