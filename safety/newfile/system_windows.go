package newfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"golang.org/x/sys/windows"
)

const noFollow = 0

// openFile opens a file so that its name can be taken away while it is open, as
// everywhere else: os.OpenFile asks for a handle without FILE_SHARE_DELETE, and a file of
// ours that must go would stay.
func openFile(name string, flag int, perm fs.FileMode) (*os.File, error) {
	folder, err := os.OpenRoot(FolderOf(name))
	if err != nil {
		return nil, err
	}
	defer folder.Close()
	f, err := folder.OpenFile(filepath.Base(name), flag, perm)
	if err != nil {
		var e *fs.PathError
		if errors.As(err, &e) {
			err = &fs.PathError{Op: "open", Path: name, Err: e.Err}
		}
		return nil, err
	}
	return f, nil
}

// removesOpen: on FAT, and on older systems, the name of an open file stays until it is closed.
const removesOpen = false

// A folder cannot be flushed here; NTFS keeps a journal of its names.
const foldersSync = false

// holdLock does nothing: here a file is renamed after it was closed, and the
// lock of LockFileEx ends with its handle.
func holdLock(*os.File) (release func()) { return func() {} }

// Names and StoredBytes are not in what os.Lstat returns here.
func Names(os.FileInfo) int { return 1 }

// StoredBytes returns the size of a file.
func StoredBytes(fi os.FileInfo) int64 { return fi.Size() }

// RenameNew implements System: without MOVEFILE_REPLACE_EXISTING, MoveFileEx
// fails where there is a file.
func (OS) RenameNew(from, to string) error {
	a, err := windows.UTF16PtrFromString(from)
	if err != nil {
		return err
	}
	b, err := windows.UTF16PtrFromString(to)
	if err != nil {
		return err
	}
	if err := windows.MoveFileEx(a, b, windows.MOVEFILE_WRITE_THROUGH); err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	return nil
}

// Exchange implements System.
func (OS) Exchange(string, string) error { return errors.ErrUnsupported }

// full tells that nothing more can be stored, by anybody or by this user ("System Error
// Codes"; 1295 is ERROR_DISK_QUOTA_EXCEEDED).
func full(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL) ||
		errors.Is(err, syscall.Errno(1295)) || errors.Is(err, syscall.ENOSPC)
}

// badName tells that a file system has no place for a name.
func badName(err error) bool {
	return errors.Is(err, windows.ERROR_INVALID_NAME) || errors.Is(err, windows.ERROR_FILENAME_EXCED_RANGE) ||
		errors.Is(err, windows.ERROR_BAD_PATHNAME) || errors.Is(err, syscall.ENAMETOOLONG)
}

// TooLarge tells that a file system holds no file of such a size.
func TooLarge(err error) bool {
	return errors.Is(err, windows.ERROR_FILE_TOO_LARGE) || errors.Is(err, syscall.EFBIG)
}
