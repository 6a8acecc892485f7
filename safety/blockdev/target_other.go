//go:build !linux && !darwin && !windows

package blockdev

import (
	"context"
	"io/fs"

	"bootgraft/image"
	"bootgraft/image/ata"
)

// Target is a device to be written. On this system there is none.
type Target struct{ image.Source }

// OpenTarget answers ErrUnsupported.
func OpenTarget(string) (*Target, error) { return nil, ErrUnsupported }

// OpenReadOnly answers ErrUnsupported.
func OpenReadOnly(string) (*Target, error) { return nil, ErrUnsupported }

// NextReadOnly answers ErrUnsupported.
func NextReadOnly(context.Context, func()) (*Target, error) { return nil, ErrUnsupported }

// NextTarget answers ErrUnsupported.
func NextTarget(context.Context, func()) (*Target, error) { return nil, ErrUnsupported }

// NextSource answers ErrUnsupported.
func NextSource(context.Context, func()) (*Source, error) { return nil, ErrUnsupported }

// Disks answers ErrUnsupported.
func Disks() ([]Disk, error) { return nil, ErrUnsupported }

// Name returns nothing.
func (*Target) Name() string { return "" }

// Drive asks nothing.
func (*Target) Drive() ata.Drive { return ata.Drive{} }

// Mode returns no kind of thing.
func (*Target) Mode() fs.FileMode { return fs.ModeIrregular }

// Look answers ErrUnsupported.
func (*Target) Look([]File) (Facts, error) { return Facts{}, ErrUnsupported }

// Describe answers ErrUnsupported.
func (*Target) Describe() (Facts, error) { return Facts{}, ErrUnsupported }

// WriteAt answers ErrUnsupported.
func (*Target) WriteAt([]byte, int64) (int, error) { return 0, ErrUnsupported }

// Flush answers ErrUnsupported.
func (*Target) Flush() error { return ErrUnsupported }

// Forget answers ErrUnsupported.
func (*Target) Forget() error { return ErrUnsupported }

// Same answers ErrUnsupported.
func (*Target) Same() error { return ErrUnsupported }

// Detach answers ErrUnsupported.
func (*Target) Detach() (bool, error) { return false, ErrUnsupported }

// Close does nothing.
func (*Target) Close() error { return nil }
