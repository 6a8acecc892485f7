package newfile

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// RenameNew implements System with renamex_np(2). Volumes that cannot answer
// ENOTSUP.
func (OS) RenameNew(from, to string) error { return renamex(from, to, unix.RENAME_EXCL) }

// Exchange implements System.
func (OS) Exchange(a, b string) error { return renamex(a, b, unix.RENAME_SWAP) }

func renamex(from, to string, flag uint32) error {
	err := unix.RenamexNp(from, to, flag)
	if err == nil {
		return nil
	}
	if errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.EINVAL) {
		err = errors.ErrUnsupported
	}
	return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
}
