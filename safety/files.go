package safety

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// fileSystem is what writing an image file asks of the operating system. Tests
// put faults in its place.
type fileSystem interface {
	lstat(name string) (fs.FileInfo, error)
	create(name string, perm fs.FileMode) (outFile, error) // never opens what exists
	link(from, to string) error                            // never replaces
	rename(from, to string) error                          // replaces
	remove(name string) error
	syncFolder(name string) error
	room(folder string) (free int64, known bool)
}

// outFile is a file being written.
type outFile interface {
	io.WriterAt
	io.Closer
	Truncate(size int64) error
	Sync() error
	Stat() (fs.FileInfo, error)
}

// osFiles is the real file system.
type osFiles struct{}

func (osFiles) lstat(name string) (fs.FileInfo, error) { return os.Lstat(name) }
func (osFiles) link(from, to string) error             { return os.Link(from, to) }
func (osFiles) rename(from, to string) error           { return os.Rename(from, to) }
func (osFiles) remove(name string) error               { return os.Remove(name) }

func (osFiles) create(name string, perm fs.FileMode) (outFile, error) {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm)
	if err != nil {
		return nil, err
	}
	lockFile(f) // tells other runs that it is in use; nothing depends on it
	return f, nil
}

// syncFolder makes a new name in the folder outlast a power cut. File systems
// that have no such operation answer EINVAL or ENOTSUP, which is no failure.
func (osFiles) syncFolder(name string) error {
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

// folderOf returns the folder of a name as the kernel finds it. filepath.Dir
// shortens a/../b to b, which is another folder if a is a link.
func folderOf(name string) string {
	if dir, _ := filepath.Split(name); dir != "" {
		return dir
	}
	return "."
}

// underDev tells whether a folder lies among the device nodes, whatever links
// lead there.
func underDev(folder string) (bool, error) {
	real, err := filepath.EvalSymlinks(folder)
	if err == nil {
		real, err = filepath.Abs(real)
	}
	if err != nil {
		return false, err
	}
	rel, err := filepath.Rel("/dev", real)
	return err == nil && filepath.IsLocal(rel), nil
}
