package capture

import (
	"errors"
	"fmt"
	"io"
	"io/fs"

	"bootgraft/image/capture/record"
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

// ErrInUse is what a Storage answers, wrapped or not, where another run works
// on the file.
var ErrInUse = errors.New("another run works on it")

// Storage is where the image and its record are kept. A file that was opened or
// made belongs to this run until it is closed: to whoever asks for it in the
// meantime, the answer is ErrInUse, and nothing is changed.
type Storage interface {
	// Open opens a file for reading and writing; fs.ErrNotExist if there is none.
	Open(name string) (File, error)
	// Create makes an empty file that must not exist, fs.ErrExist if it does,
	// and makes its name durable.
	Create(name string) (File, error)
	// Replace gives a file of this run the name of another, which is gone with
	// that, at once and durably: whenever the power fails, one of the two bears
	// the name.
	Replace(name, by string) error
	// Remove takes away a file that this run has made and not yet used.
	Remove(name string) error
	// Free returns how many bytes more the storage can take, or -1.
	Free() int64
	// Lacks tells whether an error of a file says that the storage has no room left, or
	// holds no file of such a size.
	Lacks(err error) (room, size bool)
}

// TargetError says why the image cannot be, or become, the file of its name.
// Nothing was read.
type TargetError struct{ Path, Why string }

func (e *TargetError) Error() string { return e.Path + " cannot be the image: " + e.Why }

// InUseError says that another run works on this capture. Nothing was read, and
// nothing changed.
type InUseError struct{ Path string }

func (e *InUseError) Error() string {
	return fmt.Sprintf("another run of this program works on %s now, and two would spoil it: wait until that one ends, "+
		"or stop it with Ctrl-C", e.Path)
}

// Target names the two files of a capture.
type Target struct {
	Storage Storage
	Image   string
	Record  string // Image + RecordSuffix if empty
}

// Idle returns an *InUseError if another run works on the target. It is asked before the
// drive is opened: a drive from which a read does not return answers nobody else either,
// and one that is dying is not to be asked a second time. That another run begins later
// is found when the files are opened.
func (t Target) Idle() error {
	f, err := t.Storage.Open(t.record())
	switch {
	case errors.Is(err, ErrInUse):
		return &InUseError{t.Image}
	case err != nil:
		return nil // opened again to be used, it is said there what is wrong with it
	}
	return f.Close()
}

func (t Target) record() string {
	if t.Record != "" {
		return t.Record
	}
	return t.Image + record.Suffix
}

// pair is the record and the image of a target, opened, and both this run's.
type pair struct {
	Target
	record, image         File
	recordMade, imageMade bool // by this run: there was none
}

// open opens or creates the record, then the image: the record is there before
// the first byte of the image can be.
func (t Target) open() (*pair, error) {
	p := &pair{Target: t}
	err := p.openRecord()
	if err == nil {
		err = p.openImage()
	}
	if err != nil {
		err = errors.Join(err, p.undo())
	}
	if errors.Is(err, ErrInUse) {
		return nil, &InUseError{t.Image}
	}
	if err != nil {
		return nil, err
	}
	return p, nil
}

func (p *pair) openRecord() (err error) {
	p.record, err = p.Storage.Open(p.Target.record())
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	img, err := p.Storage.Open(p.Image)
	if err == nil {
		return errors.Join(&TargetError{p.Image, fmt.Sprintf(
			"it exists and has no record %s, so it is not a capture that could go on; choose another name",
			p.Target.record())}, img.Close())
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	p.record, err = p.Storage.Create(p.Target.record())
	if errors.Is(err, fs.ErrExist) {
		return ErrInUse // it was not there a moment ago: another run has just begun
	}
	p.recordMade = err == nil
	return err
}

func (p *pair) openImage() (err error) {
	p.image, err = p.Storage.Open(p.Image)
	if errors.Is(err, fs.ErrNotExist) {
		p.image, err = p.Storage.Create(p.Image)
		p.imageMade = err == nil
	}
	return err
}

// undo takes away what this run has made, nothing having been read, and closes
// the rest. The names go while the files are still this run's.
func (p *pair) undo() error {
	var err error
	if p.imageMade {
		err = p.Storage.Remove(p.Image)
	}
	if p.recordMade {
		err = errors.Join(err, p.Storage.Remove(p.Target.record()))
	}
	return errors.Join(err, p.close())
}

func (p *pair) close() error {
	var err error
	for _, f := range []File{p.image, p.record} {
		if f != nil {
			err = errors.Join(err, f.Close())
		}
	}
	return err
}
