package capture

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
)

// File is a file that a capture writes.
type File interface {
	io.ReaderAt
	io.WriterAt
	Truncate(size int64) error
	Size() (int64, error)
	Sync() error
	Close() error
}

// Storage is where the image and its record are kept.
type Storage interface {
	// Open opens a file for reading and writing; fs.ErrNotExist if there is none.
	Open(name string) (File, error)
	// Create makes an empty file that must not exist, and makes its name durable.
	Create(name string) (File, error)
	// Remove takes away a file that this run has made and not yet used.
	Remove(name string) error
	// Free returns how many bytes more the storage can take, or -1.
	Free() int64
}

// RecordSuffix is what the name of the record has after that of the image.
const RecordSuffix = ".record"

// TargetError says why the image cannot be, or become, the file of its name.
// Nothing was read.
type TargetError struct{ Path, Why string }

func (e *TargetError) Error() string { return e.Path + " cannot be the image: " + e.Why }

// Target names the two files of a capture.
type Target struct {
	Storage Storage
	Image   string
	Record  string // Image + RecordSuffix if empty
}

func (t Target) record() string {
	if t.Record != "" {
		return t.Record
	}
	return t.Image + RecordSuffix
}

// openBoth opens or creates the record, then the image: the record is there
// before the first byte of the image can be.
func (t Target) openBoth() (record, img File, fresh bool, err error) {
	record, err = t.Storage.Open(t.record())
	if errors.Is(err, fs.ErrNotExist) {
		if img, err = t.Storage.Open(t.Image); err == nil {
			img.Close()
			return nil, nil, false, &TargetError{t.Image, fmt.Sprintf("it exists and has no record %s, so it is not a capture that could go on; choose another name", t.record())}
		} else if !errors.Is(err, fs.ErrNotExist) {
			return nil, nil, false, err
		}
		fresh = true
		record, err = t.Storage.Create(t.record())
	}
	if err != nil {
		return nil, nil, false, err
	}
	img, err = t.Storage.Open(t.Image)
	if errors.Is(err, fs.ErrNotExist) {
		img, err = t.Storage.Create(t.Image)
	}
	if err != nil {
		return nil, nil, false, errors.Join(err, record.Close())
	}
	return record, img, fresh, nil
}
