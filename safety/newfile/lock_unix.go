//go:build unix

package newfile

import (
	"errors"
	"os"
	"syscall"
)

// Lock takes the file for this run until it is closed. The lock belongs to the
// open file, so a second open by the same process is refused too. The error is
// ErrInUse if another run has it. A file system that knows no locks, such as
// some network shares, is no reason to fail.
func Lock(f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case errors.Is(err, syscall.EINTR):
			continue
		case errors.Is(err, syscall.EWOULDBLOCK):
			return ErrInUse
		case errors.Is(err, syscall.ENOLCK), errors.Is(err, errors.ErrUnsupported):
			return nil
		}
		return err
	}
}
