//go:build unix

package capture

import (
	"errors"
	"os"
	"syscall"
)

// lock takes the file for this run until it is closed. A file system that knows
// no locks, such as some network shares, is no reason to fail.
func lock(f *os.File) error {
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
