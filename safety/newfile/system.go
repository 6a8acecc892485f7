package newfile

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"syscall"
)

// System is what the making of a file asks of the operating system. Tests put
// faults in its place.
type System interface {
	Lstat(name string) (fs.FileInfo, error)
	Create(name string, perm fs.FileMode) (OutFile, error) // never opens what exists
	Exchange(a, b string) error                            // both exist, and change places
	RenameNew(from, to string) error                       // never replaces
	Link(from, to string) error                            // never replaces
	Rename(from, to string) error                          // replaces
	Remove(name string) error
	SyncFolder(name string) error
	Room(folder string) (free int64, known bool) // bytes that this user may store there
}

// OutFile is a file being written.
type OutFile interface {
	io.Writer
	io.WriterAt
	io.Closer
	Truncate(size int64) error
	Sync() error
	Stat() (fs.FileInfo, error)
	Release() // ends the lock, which outlives Close
}

// OS is the real file system.
type OS struct{}

// Lstat implements System.
func (OS) Lstat(name string) (fs.FileInfo, error) { return os.Lstat(name) }

// Link implements System.
func (OS) Link(from, to string) error { return os.Link(from, to) }

// Rename implements System.
func (OS) Rename(from, to string) error { return os.Rename(from, to) }

// Remove implements System.
func (OS) Remove(name string) error { return os.Remove(name) }

// Create implements System.
func (OS) Create(name string, perm fs.FileMode) (OutFile, error) {
	f, err := create(name, os.O_WRONLY, perm)
	if err != nil {
		return nil, err
	}
	return &lockedFile{f, holdLock(f)}, nil
}

// lockedFile keeps its lock after Close: the file is closed before it gets its
// name, since Close may tell of lost bytes, and nobody may take it for a
// leftover in between.
type lockedFile struct {
	*os.File
	release func()
}

func (f *lockedFile) Release() { f.release() }

// SyncFolder makes a new name in the folder outlast a power cut. File systems
// that have no such operation answer EINVAL or ENOTSUP, which is no failure.
func (OS) SyncFolder(name string) error {
	if !foldersSync {
		return nil
	}
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, errors.ErrUnsupported) {
		return err
	}
	return nil
}

// InUse tells whether another run holds the lock of a file.
func InUse(name string) bool {
	f, err := os.OpenFile(name, os.O_RDONLY|noFollow, 0)
	if err != nil {
		return false
	}
	defer f.Close()
	return errors.Is(Lock(f), ErrInUse)
}
