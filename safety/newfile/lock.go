// Package newfile is the one way in which files are opened for change and come
// into being: locked, with room for them, never over a name that somebody else
// took, flushed with their folder, and belonging to the person who asked.
package newfile

import "errors"

// ErrInUse says that another run of this program works on the file.
var ErrInUse = errors.New("another run of this program works on it; wait until it ends, or stop it")
