package newfile

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

const noFollow = 0

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
