package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
)

// outputFree refuses a name for a new file that something has already, or that
// is its source. No name means that no file is wanted.
func outputFree(path, what string, src *opened, replace bool) error {
	if path == "" {
		return nil
	}
	if err := placeOf(path); err != nil {
		return err
	}
	st, err := os.Lstat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return err
	case slices.ContainsFunc(src.files, func(f os.FileInfo) bool { return os.SameFile(st, f) }):
		return refusef("%s is the source; the %s needs a file of its own", path, what)
	case !st.Mode().IsRegular():
		return refusef("%s is there already and is not a file", path)
	case !replace:
		return refusef("%s is there already; --replace puts the new %s in its place", path, what)
	}
	return nil
}

// writeWhole writes a file beside its name, and gives it the name when it is
// complete.
func writeWhole(path, pattern string, replace bool, write func(io.Writer) error) error {
	tmp, err := os.CreateTemp(filepath.Dir(path), pattern)
	if err != nil {
		return fmt.Errorf("no file can be made beside %s: %w", path, err)
	}
	defer os.Remove(tmp.Name())
	err = write(tmp)
	if err == nil {
		err = tmp.Sync()
	}
	err = errors.Join(err, tmp.Close(), os.Chmod(tmp.Name(), 0o644))
	if err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	giveToCaller(tmp.Name())
	if replace {
		return os.Rename(tmp.Name(), path)
	}
	err = os.Link(tmp.Name(), path)
	if err != nil && !errors.Is(err, os.ErrExist) { // a file system without hard links, such as FAT
		err = claim(tmp.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("giving %s its name: %w", path, err)
	}
	return nil
}

// claim gives a file a name that is free: an empty file takes it first, which
// fails where somebody else was quicker.
func claim(from, path string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	if err = f.Close(); err == nil {
		err = os.Rename(from, path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}
