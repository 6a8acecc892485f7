package newfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"time"
)

// ErrNotEmpty says that a folder holds something already.
var ErrNotEmpty = errors.New("the folder is not empty")

// Folder is a folder, new or empty, that files are put into. No name leads out
// of it, and nothing in it is overwritten.
type Folder struct{ root *os.Root }

// MakeFolder opens a folder, and makes it and those above it where they are not
// there. Only what it makes belongs to the caller of sudo. The error is
// ErrNotEmpty if there is something in it.
func MakeFolder(name string) (*Folder, error) {
	if err := MakeFolders(name); err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(name)
	if err != nil {
		return nil, err
	}
	f, err := root.Open(".")
	if err == nil {
		_, err = f.Readdirnames(1)
		f.Close()
	}
	if errors.Is(err, io.EOF) {
		return &Folder{root}, nil
	}
	if err == nil {
		err = ErrNotEmpty
	}
	return nil, errors.Join(err, root.Close())
}

// ReadFolder opens a folder whose files are read: no name leads out of it.
func ReadFolder(name string) (*os.Root, error) { return os.OpenRoot(name) }

// MakeFolders makes one folder after the other. One that was there, or that
// somebody else made in the meantime, is left as it is.
func MakeFolders(name string) error {
	if st, err := os.Stat(name); err == nil {
		if !st.IsDir() {
			return &fs.PathError{Op: "mkdir", Path: name, Err: errors.New("it is not a folder")}
		}
		return nil
	}
	if up := filepath.Dir(name); up != name {
		if err := MakeFolders(up); err != nil {
			return err
		}
	}
	root, err := os.OpenRoot(filepath.Dir(name))
	if err != nil {
		return err
	}
	defer root.Close()
	return makeIn(root, filepath.Base(name))
}

// makeIn makes a folder, if there is none, and gives it to the caller. It is
// looked at through the folder itself, so that no link can be put in between.
// The error is fs.ErrExist if something else has the name.
func makeIn(root *os.Root, name string) error {
	err := root.Mkdir(name, 0o777) // less what the umask takes away
	if st, e := root.Lstat(name); errors.Is(err, fs.ErrExist) && e == nil && st.IsDir() {
		return nil
	}
	if err != nil {
		return err
	}
	f, err := root.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(giveToCaller(f), f.Close())
}

// TempFolder makes a new folder for files that may be deleted at any time, and
// returns its path.
func TempFolder(pattern string) (string, error) {
	dir, err := os.MkdirTemp("", pattern)
	if err != nil {
		return "", err
	}
	f, err := os.Open(dir)
	if err != nil {
		return "", err
	}
	return dir, errors.Join(giveToCaller(f), f.Close())
}

// Make makes a folder in a folder that is there, if there is none. The error is
// fs.ErrExist if a file has the name.
func (d *Folder) Make(name string) error { return makeIn(d.root, name) }

// Create makes a new file, and the folders on the way to it; a slash parts
// names. The error is fs.ErrExist if the name is taken.
func (d *Folder) Create(name string) (*Copied, error) {
	for i := range name {
		if name[i] != '/' {
			continue
		}
		if err := makeIn(d.root, name[:i]); err != nil {
			return nil, fmt.Errorf("a folder for %s cannot be made: %w", name, err)
		}
	}
	f, err := d.root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err != nil {
		return nil, err
	}
	if err := giveToCaller(f); err != nil {
		return nil, errors.Join(err, f.Close(), d.root.Remove(name))
	}
	return &Copied{File: f, Name: name, in: d}, nil
}

// Flush makes everything that was finished outlast a power cut.
func (d *Folder) Flush() error {
	f, err := d.root.Open(".")
	if err != nil {
		return err
	}
	return errors.Join(flushAll(f), f.Close())
}

// Close ends the use of the folder.
func (d *Folder) Close() error { return d.root.Close() }

// Copied is a file in a Folder.
type Copied struct {
	*os.File
	Name string // inside the folder
	in   *Folder
	done bool
}

// ErrTime says that a file is there, whole, and could not be given its time: FAT gives
// that right to the owner of the mount alone.
var ErrTime = errors.New("the time of the file could not be set")

// Finish closes the file and gives it its time, unless that is zero. After ErrTime it
// is finished all the same.
func (c *Copied) Finish(modified time.Time) error {
	var err error
	if !flushesAll {
		err = c.Sync()
	}
	if err = errors.Join(err, c.File.Close()); err != nil {
		return fmt.Errorf("%s: %w", path.Clean(c.Name), err)
	}
	c.done = true
	if modified.IsZero() {
		return nil
	}
	if err := c.in.root.Chtimes(c.Name, modified, modified); err != nil {
		return errors.Join(ErrTime, err)
	}
	return nil
}

// Abandon removes a file that was not finished; it does nothing to one that was.
func (c *Copied) Abandon() {
	if !c.done {
		c.File.Close()
		_ = c.in.root.Remove(c.Name) // best effort: the error that led here is told
	}
}
