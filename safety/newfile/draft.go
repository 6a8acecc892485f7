package newfile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// Unfinished is what is added to the name of a file while it is written.
const Unfinished = ".unfinished"

// Draft is a file under its unfinished name. It is locked until Publish or
// Discard.
type Draft struct {
	OutFile
	sys        System
	path, temp string
	old, mine  fs.FileInfo
}

// Begin makes the unfinished file of path, where nothing may have that name.
// old is the file at path that is to be replaced, or nil.
func Begin(sys System, path string, old fs.FileInfo) (*Draft, error) {
	perm := fs.FileMode(0o666) // less what the umask takes away
	if old != nil {
		perm = old.Mode().Perm() // what was private stays private
	}
	d := &Draft{sys: sys, path: path, temp: path + Unfinished, old: old}
	var err error
	if d.OutFile, err = sys.Create(d.temp, perm); err != nil {
		return nil, err
	}
	if d.mine, err = d.Stat(); err != nil {
		return nil, errors.Join(err, d.Discard())
	}
	return d, nil
}

// Discard closes the unfinished file and removes it, unless somebody put another
// one there.
func (d *Draft) Discard() error {
	d.Close() // a second Close does no harm
	defer d.Release()
	now, err := d.sys.Lstat(d.temp)
	if err == nil && d.mine != nil && !os.SameFile(now, d.mine) {
		return nil
	}
	if err := d.sys.Remove(d.temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("and the unfinished file stays: %w", err)
	}
	return nil
}

// Publish gives the file, which is flushed and closed, its name. The error is
// ErrTaken or ErrSwapped if somebody interfered. After an error Discard is due.
func (d *Draft) Publish() error {
	now, err := d.sys.Lstat(d.temp)
	if err != nil {
		return err
	}
	if !os.SameFile(now, d.mine) {
		return ErrSwapped
	}
	if d.old == nil {
		err = d.publishNew()
	} else {
		err = d.replace()
	}
	if err != nil {
		return err
	}
	d.Release()
	return nil
}

// publishNew takes no name that somebody else took in the meantime. Where there
// is no such rename, a hard link fails then; where there are no hard links, an
// empty file claims the name first.
func (d *Draft) publishNew() error {
	err := d.sys.RenameNew(d.temp, d.path)
	if !errors.Is(err, errors.ErrUnsupported) {
		return taken(err)
	}
	if err = d.sys.Link(d.temp, d.path); noLinks(err) {
		return d.claim()
	}
	if err != nil {
		return taken(err)
	}
	if err := d.sys.Remove(d.temp); err != nil {
		return errors.Join(fmt.Errorf("finishing %s: %w", d.path, err), d.sys.Remove(d.path))
	}
	return nil
}

func taken(err error) error {
	if errors.Is(err, fs.ErrExist) {
		return ErrTaken
	}
	return err
}

// noLinks tells whether link(2) failed because there are no hard links there:
// EPERM on FAT, others elsewhere.
func noLinks(err error) bool {
	return errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EMLINK) || errors.Is(err, errors.ErrUnsupported)
}

func (d *Draft) claim() error {
	f, err := d.sys.Create(d.path, 0o600)
	if err != nil {
		return taken(err)
	}
	defer f.Release()
	err = f.Close()
	if err == nil {
		err = d.sys.Rename(d.temp, d.path)
	}
	if err != nil {
		return errors.Join(err, d.sys.Remove(d.path))
	}
	return nil
}

// replace puts the file in the place of the old one. The two change places
// first: so the file that goes is seen to be the one that was looked at, and
// goes back where it is not. Where files cannot change places there is a moment
// between the last look and the rename.
func (d *Draft) replace() error {
	at, err := d.sys.Lstat(d.path)
	if err != nil {
		return err
	}
	if !Same(at, d.old) {
		return ErrTaken
	}
	err = d.sys.Exchange(d.temp, d.path)
	if errors.Is(err, errors.ErrUnsupported) {
		return d.sys.Rename(d.temp, d.path)
	}
	if err != nil {
		return err
	}
	gone, err := d.sys.Lstat(d.temp)
	if err == nil && !Same(gone, d.old) {
		err = ErrTaken
	}
	if err == nil {
		err = d.sys.Remove(d.temp)
	}
	if err != nil {
		return errors.Join(err, d.sys.Exchange(d.temp, d.path))
	}
	return nil
}

// Same tells whether a file is the one that was looked at, and unchanged. A new
// file may have the inode number of one that was removed, so its size and time
// count too.
func Same(now, old fs.FileInfo) bool {
	return os.SameFile(now, old) && now.Size() == old.Size() && now.ModTime().Equal(old.ModTime())
}
