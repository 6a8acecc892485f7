//go:build darwin || windows

package blockdev

import (
	"errors"
	"io/fs"

	"bootgraft/image/ata"
)

// Target is a disk that is looked at. On this system none is written.
type Target struct {
	*Source
	busy *BusyError
}

var errNotHeld = errors.New("the disk is not held")

// OpenTarget answers ErrNotWritten: cards are written on Linux.
func OpenTarget(string) (*Target, error) { return nil, ErrNotWritten }

// OpenReadOnly opens a disk to look at it. One that is in use is returned all the same,
// and Facts.Held says why it is not read.
func OpenReadOnly(path string) (*Target, error) {
	s, busy, err := openRaw(path)
	if err != nil {
		return nil, err
	}
	return &Target{s, busy}, nil
}

// Mode tells that the target is a device.
func (*Target) Mode() fs.FileMode { return fs.ModeDevice }

// Drive asks nothing: commands are sent to a drive on Linux alone.
func (*Target) Drive() ata.Drive { return ata.Drive{} }

// Look finds out what can be said of the disk without changing it. files are what a
// writer would ask about, and there is none here.
func (t *Target) Look([]File) (Facts, error) {
	d := t.describe()
	f := Facts{Path: t.path, Mode: t.Mode(), Node: d.Node, Whole: d.Node, Sectors: d.Sectors, SectorSize: d.SectorSize,
		ReadOnly: d.ReadOnly, Identity: d.Identity}
	if t.busy != nil {
		f.Held = t.busy
		for _, m := range t.busy.Mounts {
			f.Uses = append(f.Uses, Use{How: Mounted, What: m, Device: d.Node})
		}
	}
	return f, nil
}

// Describe is Look: that asks nobody else here.
func (t *Target) Describe() (Facts, error) { return t.Look(nil) }

// ReadAt reads as that of a Source does.
func (t *Target) ReadAt(p []byte, off int64) (int, error) {
	if t.busy != nil {
		return 0, errNotHeld
	}
	return t.Source.ReadAt(p, off)
}

// WriteAt answers ErrNotWritten.
func (*Target) WriteAt([]byte, int64) (int, error) { return 0, ErrNotWritten }

// Flush answers ErrNotWritten.
func (*Target) Flush() error { return ErrNotWritten }

// Forget answers ErrNotWritten.
func (*Target) Forget() error { return ErrNotWritten }

// Same answers ErrNotWritten.
func (*Target) Same() error { return ErrNotWritten }

// Detach answers ErrNotWritten.
func (*Target) Detach() (bool, error) { return false, ErrNotWritten }
