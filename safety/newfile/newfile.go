// Package newfile is the one way in which files are opened for change and come
// into being: locked, never over a name that somebody else took, flushed with
// their folder, with the rights that the umask leaves, and belonging to the
// person who asked.
//
// A [Draft] is a file that gets its name when it is complete. [Create] makes a
// file that grows under its own name, such as a capture or a receipt, and
// [Open] opens one again. A [Folder] holds many files that are copied out.
//
// What may be replaced is not decided here: see package safety.
package newfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrInUse says that another run of this program works on the file.
var ErrInUse = errors.New("another run of this program works on it; wait until it ends, or stop it")

// ErrTaken says that somebody put a file under the name, or changed the one
// there, while the new one was written. That file is untouched.
var ErrTaken = errors.New("somebody else took its name")

// ErrSwapped says that somebody put another file in the place of the unfinished
// one. That file is untouched.
var ErrSwapped = errors.New("somebody put another file in the place of the unfinished one")

// ErrKind says that something else than a regular file has the name.
var ErrKind = errors.New("it is not a regular file")

// Create makes an empty file that must not exist, for reading and writing, and
// makes its name outlast a power cut. flag is 0 or os.O_APPEND. The error is
// fs.ErrExist if anything has the name, a link that leads nowhere included.
func Create(name string, flag int) (*os.File, error) {
	f, err := create(name, os.O_RDWR|flag&os.O_APPEND, 0o666)
	if err != nil {
		return nil, err
	}
	if err := (OS{}).SyncFolder(FolderOf(name)); err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(name))
	}
	return f, nil
}

// create makes a file that belongs to the caller and is locked. O_EXCL follows
// no link (open(2)).
func create(name string, flag int, perm fs.FileMode) (*os.File, error) {
	f, err := openFile(name, flag|os.O_CREATE|os.O_EXCL, perm)
	if err != nil {
		return nil, err
	}
	if err := Lock(f); errors.Is(err, ErrInUse) { // another run was as quick, and it is that one's now
		return nil, errors.Join(err, f.Close())
	} else if err != nil {
		return nil, errors.Join(err, os.Remove(name), f.Close())
	}
	if err := giveToCaller(f); err != nil {
		return nil, errors.Join(err, os.Remove(name), f.Close())
	}
	return f, nil
}

// Open opens a regular file that exists for reading and writing, and locks it.
// flag is 0 or os.O_APPEND. It follows no link at the end of the name, and waits
// for nobody at the other end of a pipe. The error is ErrKind or ErrInUse.
func Open(name string, flag int) (*os.File, error) {
	return open(name, os.O_RDWR|flag&os.O_APPEND)
}

// Read is Open for reading alone: as long as it is open no other run has it.
func Read(name string) (*os.File, error) { return open(name, os.O_RDONLY) }

func open(name string, flag int) (*os.File, error) {
	f, st, err := regular(name, flag)
	if err != nil {
		return nil, err
	}
	if err := lockAs(f, st, name); err != nil {
		return nil, errors.Join(&fs.PathError{Op: "open", Path: name, Err: err}, f.Close())
	}
	return f, nil
}

// Peek opens a regular file for reading, whoever else works on it. It follows no
// link at the end of the name. The error is ErrKind for what is no file.
func Peek(name string) (*os.File, error) {
	f, _, err := regular(name, os.O_RDONLY)
	return f, err
}

func regular(name string, flag int) (*os.File, fs.FileInfo, error) {
	f, err := openFile(name, flag|noFollow, 0)
	if err != nil {
		if st, lerr := os.Lstat(name); lerr == nil && !st.Mode().IsRegular() {
			err = &fs.PathError{Op: "open", Path: name, Err: ErrKind}
		}
		return nil, nil, err
	}
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() {
		err = &fs.PathError{Op: "open", Path: name, Err: ErrKind}
	}
	if err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	return f, st, nil
}

// lockAs locks an open file, and makes sure that it still is the one of that
// name: a run that ends may have taken the name away before it let go of the lock.
func lockAs(f *os.File, st fs.FileInfo, name string) error {
	if err := Lock(f); err != nil {
		return err
	}
	if now, err := os.Lstat(name); err != nil || !os.SameFile(st, now) {
		return ErrInUse
	}
	return nil
}

// Try finds out whether a file can be made in a folder, and leaves nothing there.
func Try(folder string) error {
	f, err := os.CreateTemp(folder, ".bootgraft-try-*")
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// Replace gives a file of this run the name of another, which is gone with that,
// at once and durably: whenever the power fails, one of the two bears the name.
func Replace(name, by string) error {
	if err := os.Rename(by, name); err != nil {
		return err
	}
	return OS{}.SyncFolder(FolderOf(name))
}

// Remove takes away a file of ours.
func Remove(name string) error { return os.Remove(name) }

// FolderOf returns the folder of a name as the kernel finds it. filepath.Dir
// shortens a/../b to b, which is another folder if a is a link.
func FolderOf(name string) string {
	if dir, _ := filepath.Split(name); dir != "" {
		return dir
	}
	return "."
}

// UnderDev tells whether a folder lies among the device nodes, whatever links
// lead there: a file there only fills the memory of the machine.
func UnderDev(folder string) (bool, error) {
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
