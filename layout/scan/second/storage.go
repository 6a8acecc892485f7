package second

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/diskfs/go-diskfs/backend"
)

// storage shows the library one run of bytes, for reading only. The library
// drops most errors of reads and takes what was in its buffer for data, so
// the first failed or short read is kept here and spoils the whole answer.
type storage struct {
	r     *io.SectionReader
	fault error
}

var _ backend.Storage = (*storage)(nil)

// newStorage shows size bytes from the start of r.
func newStorage(r io.ReaderAt, size int64) *storage {
	return &storage{r: io.NewSectionReader(r, 0, size)}
}

// ReadAt reads all of p, or remembers that it could not.
func (s *storage) ReadAt(p []byte, off int64) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	n, err := s.r.ReadAt(p, off)
	if n == len(p) && (err == nil || errors.Is(err, io.EOF)) {
		return n, nil
	}
	if err == nil {
		err = io.ErrUnexpectedEOF
	}
	s.spoil(fmt.Errorf("of %d bytes at byte %d it got %d: %w", len(p), off, n, err))
	return n, err
}

func (s *storage) spoil(err error) {
	if s.fault == nil {
		s.fault = err
	}
}

// spoiled returns the refusal that a failed read makes of any answer.
func (s *storage) spoiled() error {
	if s.fault == nil {
		return nil
	}
	return refusef("a read failed, and it would not have said so: %v", s.fault)
}

func (s *storage) Seek(offset int64, whence int) (int64, error) { return s.r.Seek(offset, whence) }

// Read is not used for what is asked here; if that changes, it must show.
func (s *storage) Read([]byte) (int, error) {
	s.spoil(errors.New("a read without an address"))
	return 0, errors.ErrUnsupported
}

func (s *storage) Stat() (fs.FileInfo, error)              { return nil, errors.ErrUnsupported }
func (s *storage) Close() error                            { return nil }
func (s *storage) Sys() (*os.File, error)                  { return nil, errors.ErrUnsupported }
func (s *storage) Writable() (backend.WritableFile, error) { return nil, errors.ErrUnsupported }
func (s *storage) Path() string                            { return "" }
