//go:build !linux && !darwin && !windows

package blockdev

import (
	"bootgraft/image"
	"bootgraft/image/ata"
)

// Source is a block device opened for reading only.
type Source struct{ image.Source }

// OpenSource answers ErrUnsupported.
func OpenSource(string) (*Source, error) { return nil, ErrUnsupported }

// Identity returns nothing.
func (*Source) Identity() image.Identity { return image.Identity{} }

// Drive asks nothing.
func (*Source) Drive() ata.Drive { return ata.Drive{} }

// Name returns nothing.
func (*Source) Name() string { return "" }

// Told returns nothing.
func (*Source) Told() []string { return nil }

// Carries answers ErrUnsupported.
func (*Source) Carries(string) (bool, error) { return false, ErrUnsupported }

// Close does nothing.
func (*Source) Close() error { return nil }

// WholeOf knows no names of parts.
func WholeOf(string) string { return "" }

func unmountLine(string, []string) string { return "" }
