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

// full tells that nothing more can be stored, by anybody or by this user.
func full(err error) bool { return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) }

// badName tells that a file system has no place for a name: open(2), ENAMETOOLONG and
// EINVAL; EILSEQ is what Linux answers where it cannot be written in the letters of a FAT.
func badName(err error) bool {
	return errors.Is(err, syscall.ENAMETOOLONG) || errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.EILSEQ)
}

// TooLarge tells that a file system holds no file of such a size.
func TooLarge(err error) bool { return errors.Is(err, syscall.EFBIG) }
