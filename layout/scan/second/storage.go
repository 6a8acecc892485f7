package second

import (
	"fmt"
	"io"

	"github.com/diskfs/go-diskfs/backend"

	"bootgraft/image"
)

// storage shows the library one source, for reading only. The library
// drops most errors of reads and takes what was in its buffer for data, so
// the first failed or short read is kept here and spoils the whole answer.
//
// What else its interface asks for is left out on purpose: a call of it breaks
// off, which guarded makes a refusal.
type storage struct {
	backend.Storage
	src   image.Source
	fault error
}

// ReadAt reads all of p, or remembers that it could not.
func (s *storage) ReadAt(p []byte, off int64) (int, error) {
	err := image.ReadFull(s.src, p, off)
	if err == nil {
		return len(p), nil
	}
	if s.fault == nil {
		s.fault = fmt.Errorf("%d bytes at byte %d: %w", len(p), off, err)
	}
	return 0, err
}

// Seek is how the library finds out the size of a disk.
func (s *storage) Seek(offset int64, whence int) (int64, error) {
	return io.NewSectionReader(s.src, 0, s.src.Size()).Seek(offset, whence)
}

// guarded runs one call into the library. A panic of it is a refusal, and so is
// whatever it answers after a read that failed.
func guarded[T any](s *storage, call func() (T, error)) (out T, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("it broke off: %v", p)
		}
		if s.fault != nil {
			err = fmt.Errorf("a read failed, and it would not have said so: %w", s.fault)
		}
	}()
	if out, err = call(); err != nil {
		err = fmt.Errorf("it says: %w", err)
	}
	return out, err
}

// difference is the first place where the two readers part. Every other error
// is a reason why the second reader is not asked, or why its answer does not
// count.
type difference string

func (d difference) Error() string { return string(d) }

func differf(format string, args ...any) error { return difference(fmt.Sprintf(format, args...)) }
