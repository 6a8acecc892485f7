package newfile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Mark is the file that a folder under its unfinished name holds, by which it is known
// as a leftover of this program.
const Mark = "being-made"

// ErrTooLarge says that a file system cannot hold a file of the size that was asked.
var ErrTooLarge = errors.New("the file system cannot hold a file of that size")

// FolderDraft is a folder under its unfinished name, which gets its own when all of it
// is there. It is locked until Publish or Discard.
type FolderDraft struct {
	*Folder
	path, temp string
	mark       *os.File
}

// BeginFolder makes the unfinished folder of path, where nothing may have that name: else
// it is ErrTaken. What a run that was killed left there is taken away first, if it bears
// the mark of one; another folder of that name is ErrNotEmpty.
func BeginFolder(path string) (*FolderDraft, error) {
	path = strings.TrimRight(path, string(filepath.Separator))
	if _, err := os.Lstat(path); err == nil {
		return nil, ErrTaken
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	d := &FolderDraft{path: path, temp: path + Unfinished}
	if err := removeLeftover(d.temp); err != nil {
		return nil, err
	}
	var err error
	if d.Folder, err = MakeFolder(d.temp); err != nil {
		return nil, err
	}
	if d.mark, err = Create(filepath.Join(d.temp, Mark), 0); err != nil {
		return nil, errors.Join(err, d.Close(), os.Remove(d.temp))
	}
	return d, nil
}

// removeLeftover takes away what a run that was killed left.
func removeLeftover(temp string) error {
	f, err := Open(filepath.Join(temp, Mark), 0)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // nothing there, or a folder that MakeFolder judges
	}
	if err != nil {
		return err
	}
	if !removesOpen {
		return errors.Join(f.Close(), os.RemoveAll(temp))
	}
	defer f.Close() // the lock is held until all else is gone
	return os.RemoveAll(temp)
}

// Temp returns the name of the unfinished folder.
func (d *FolderDraft) Temp() string { return d.temp }

// Publish gives the folder, in which everything was finished, its name. The error is
// ErrTaken if somebody took that. After an error Discard is due; it takes nothing away from a
// folder that has its name and could not be flushed there, which the error says.
func (d *FolderDraft) Publish() error {
	if err := d.Flush(); err != nil {
		return err
	}
	release := holdLock(d.mark) // nobody may take it for a leftover in between
	defer release()
	if err := errors.Join(d.mark.Close(), d.Close()); err != nil {
		return err
	}
	err := OS{}.RenameNew(d.temp, d.path)
	if errors.Is(err, errors.ErrUnsupported) {
		if _, there := os.Lstat(d.path); there == nil {
			return ErrTaken
		}
		err = os.Rename(d.temp, d.path)
	}
	if err != nil {
		return taken(err)
	}
	// A mark that stays says nothing: the folder has its name.
	if err := errors.Join(os.Remove(filepath.Join(d.path, Mark)), OS{}.SyncFolder(FolderOf(d.path))); err != nil {
		return fmt.Errorf("it stands whole, but its name may not outlast a loss of power: %w", err)
	}
	return nil
}

// Discard takes the unfinished folder away.
func (d *FolderDraft) Discard() error {
	release := holdLock(d.mark)
	defer release()
	d.mark.Close()
	d.Close()
	if err := os.RemoveAll(d.temp); err != nil {
		return fmt.Errorf("and the unfinished folder stays: %w", err)
	}
	return nil
}

// Probe tries what a folder can hold: whether a file of the largest size, and whether
// holes in files take no room. It leaves nothing behind. The error is ErrTooLarge, or
// that of the file system.
func Probe(folder string, largest int64) (holes bool, err error) {
	f, err := os.CreateTemp(folder, ".bootgraft-try-*")
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	const hole = 1 << 20 // FAT stores what a file is made longer by, so no more than this
	if err := f.Truncate(hole); err != nil {
		return false, err
	}
	st, err := f.Stat()
	if err != nil {
		return false, err
	}
	holes = StoredBytes(st) < hole
	const most = 1<<32 - 1 // bytes of a file on FAT: its length has 32 bits (Microsoft FAT specification 1.03)
	if largest > most {
		if err = f.Truncate(largest); TooLarge(err) {
			err = ErrTooLarge
		}
	}
	return holes, err
}
