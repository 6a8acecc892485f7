//go:build !windows

package newfile

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

func openFile(name string, flag int, perm fs.FileMode) (*os.File, error) {
	return os.OpenFile(name, flag, perm)
}

// removesOpen tells that the name of an open file goes at once.
const removesOpen = true

// TooLarge tells that a file system holds no file of such a size.
func TooLarge(err error) bool { return errors.Is(err, syscall.EFBIG) }
