package image

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"sync"
)

// File is an image file, opened for reading only.
type File struct {
	f          *os.File
	size       int64
	sectorSize int

	seek sync.Mutex // seeks share one file position; reads do not use it
}

// Open opens the image file at path. Anything that is not a regular file is
// refused before it is opened, so that a FIFO cannot block and a device is
// not touched.
func Open(path string, sectorSize int) (*File, error) {
	if err := CheckSectorSize(sectorSize); err != nil {
		return nil, err
	}
	if kind := NameKind(path); kind != "" {
		return nil, &NotRegularError{path, kind}
	}
	st, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if err := checkRegular(path, st.Mode()); err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	now, err := f.Stat()
	if err == nil && !os.SameFile(st, now) {
		err = fmt.Errorf("%s: the file was replaced while it was opened; try again", path)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return &File{f: f, size: now.Size(), sectorSize: sectorSize}, nil
}

// NotRegularError says that a path names something other than a regular file.
type NotRegularError struct {
	Path string
	Kind string
}

func (e *NotRegularError) Error() string {
	return fmt.Sprintf("%s is %s, not a file", e.Path, e.Kind)
}

func checkRegular(path string, mode fs.FileMode) error {
	if mode.IsRegular() {
		return nil
	}
	return &NotRegularError{path, deviceKind(runtime.GOOS, path, mode)}
}

// Kind names in words what kind of file has this mode.
func Kind(mode fs.FileMode) string {
	switch {
	case mode.IsRegular():
		return "a file"
	case mode.IsDir():
		return "a folder"
	case mode&fs.ModeSymlink != 0:
		return "a symbolic link"
	case mode&fs.ModeNamedPipe != 0:
		return "a pipe"
	case mode&fs.ModeCharDevice != 0:
		return "a character device"
	case mode&fs.ModeDevice != 0:
		return BlockDevice
	case mode&fs.ModeSocket != 0:
		return "a socket"
	}
	return "of an unknown kind"
}

// ReadAt reads as os.File does. A file that became shorter since it was
// opened is an error, never a silent end.
func (f *File) ReadAt(p []byte, off int64) (int, error) {
	if off >= f.size {
		return 0, io.EOF
	}
	short := int64(len(p)) > f.size-off
	if short {
		p = p[:f.size-off]
	}
	n, err := ReadStored(f.f, p, off, f.size)
	if errors.Is(err, io.EOF) && n < len(p) {
		return n, fmt.Errorf("%s ends at byte %d now, but had %d bytes when it was opened", f.f.Name(), off+int64(n), f.size)
	}
	if err == nil && short {
		err = io.EOF
	}
	return n, err
}

// Size returns the size in bytes that the file had when it was opened.
func (f *File) Size() int64 { return f.size }

// SectorSize returns the logical sector size in bytes that Open was given.
func (f *File) SectorSize() int { return f.sectorSize }

// Name returns the path that Open was given.
func (f *File) Name() string { return f.f.Name() }

// Stat describes the open file, whatever its name means by now.
func (f *File) Stat() (fs.FileInfo, error) { return f.f.Stat() }

// Close closes the file.
func (f *File) Close() error { return f.f.Close() }

// NextData finds stored bytes by asking the file system. Where it cannot
// tell, everything counts as stored.
func (f *File) NextData(off int64) (start, end int64) {
	f.seek.Lock()
	defer f.seek.Unlock()
	return NextStored(f.f, off, f.size)
}

// NextStored is Sparse's NextData for any file of so many bytes. It moves the
// position in the file: who uses that must not call it. Behind the end of a file that
// became shorter is no hole: it counts as stored, and who reads it is told.
func NextStored(f *os.File, off, size int64) (start, end int64) {
	if off >= size {
		return size, size
	}
	start, end, ok := seekData(f, off)
	if !ok {
		return off, size
	}
	if start >= size {
		if st, err := f.Stat(); err != nil || st.Size() < size {
			return off, size
		}
	}
	start = min(start, size)
	return start, max(start, min(end, size))
}

// wideRead is from how many bytes on a read first asks whether anything is stored there: by
// hand, no source. The kernel makes a page of memory for each page of a hole that is read.
const wideRead = 64 << 10

// ReadStored reads as f.ReadAt does from a file of so many bytes, but not what lies in a hole
// as a whole. It moves the position in the file.
func ReadStored(f *os.File, p []byte, off, size int64) (int, error) {
	if len(p) >= wideRead && off >= 0 && off+int64(len(p)) <= size {
		if start, _ := NextStored(f, off, size); start >= off+int64(len(p)) {
			clear(p)
			return len(p), nil
		}
	}
	return f.ReadAt(p, off)
}

// Still tells whether the file has the size that it had when it was opened.
// The error is a *ReadError, Changed.
func (f *File) Still() error {
	st, err := f.f.Stat()
	if err != nil {
		return &ReadError{Fault: Changed, Err: err}
	}
	if st.Size() != f.size {
		return &ReadError{Fault: Changed, Err: fmt.Errorf("it had %d bytes and has %d", f.size, st.Size())}
	}
	return nil
}
