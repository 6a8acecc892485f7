package input

import (
	"errors"
	"math"
	"os"
	"path/filepath"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/safety/newfile"
)

// CaptureTarget is where the image of a drive and its record are kept.
func CaptureTarget(path string) capture.Target {
	return capture.Target{Storage: captureFiles{filepath.Dir(path)}, Image: path}
}

// captureFiles keeps captures in files of this machine; names are paths. Each
// file is locked as long as it is open.
type captureFiles struct {
	folder string // on the file system that holds the files
}

// Open implements capture.Storage.
func (captureFiles) Open(name string) (capture.File, error) {
	f, err := newfile.Open(name, 0)
	switch {
	case errors.Is(err, newfile.ErrKind):
		return nil, &capture.TargetError{Path: name, Why: "it is not a regular file; choose another name"}
	case errors.Is(err, newfile.ErrInUse):
		return nil, capture.ErrInUse
	case err != nil:
		return nil, err
	}
	return captureFile{f}, nil
}

// Create implements capture.Storage.
func (captureFiles) Create(name string) (capture.File, error) {
	f, err := newfile.Create(name, 0)
	switch {
	case errors.Is(err, newfile.ErrInUse): // another run was as quick, and it is that one's now
		return nil, capture.ErrInUse
	case err != nil:
		return nil, err
	}
	return captureFile{f}, nil
}

// Replace implements capture.Storage.
func (captureFiles) Replace(name, by string) error { return newfile.Replace(name, by) }

// Remove implements capture.Storage.
func (captureFiles) Remove(name string) error { return newfile.Remove(name) }

// Free implements capture.Storage.
func (c captureFiles) Free() int64 {
	free, known := newfile.OS{}.Room(c.folder)
	if !known {
		return -1
	}
	return free
}

// Lacks implements capture.Storage.
func (captureFiles) Lacks(err error) (room, size bool) {
	why := newfile.ShortOf(err)
	return why == newfile.NoRoom, why == newfile.TooBig
}

type captureFile struct{ *os.File }

// Size implements capture.File.
func (f captureFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

// ReadAt implements io.ReaderAt.
func (f captureFile) ReadAt(p []byte, off int64) (int, error) {
	size, err := f.Size()
	if err != nil {
		return 0, err
	}
	return image.ReadStored(f.File, p, off, size)
}

// NextData implements image.Sparse: the last pass reads no holes.
func (f captureFile) NextData(off int64) (start, end int64) {
	size, err := f.Size()
	if err != nil {
		return off, math.MaxInt64
	}
	return image.NextStored(f.File, off, size)
}
