package newfile

import (
	"errors"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// Exchange implements System with renameat2(2). File systems that cannot answer
// EINVAL.
func (OS) Exchange(a, b string) error { return rename2(a, b, unix.RENAME_EXCHANGE) }

// RenameNew implements System with renameat2(2).
func (OS) RenameNew(from, to string) error { return rename2(from, to, unix.RENAME_NOREPLACE) }

func rename2(from, to string, flags uint) error {
	err := unix.Renameat2(unix.AT_FDCWD, from, unix.AT_FDCWD, to, flags)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, syscall.EINVAL), errors.Is(err, syscall.ENOSYS):
		err = errors.ErrUnsupported
	}
	return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
}

// Room implements System. Blocks are counted in fragments (statvfs(3)), which
// are smaller than f_bsize on some network file systems.
func (OS) Room(folder string) (free int64, known bool) {
	var st unix.Statfs_t
	if err := unix.Statfs(folder, &st); err != nil {
		return 0, false
	}
	size := int64(st.Frsize)
	if size == 0 {
		size = int64(st.Bsize)
	}
	return int64(st.Bavail) * size, true
}

// flushAll makes every file of the file system of an open folder outlast a power
// cut: one flush for thousands of small files.
func flushAll(folder *os.File) error { return unix.Syncfs(int(folder.Fd())) }

const flushesAll = true
