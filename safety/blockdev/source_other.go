//go:build !linux

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

// Identify returns nothing.
func (*Source) Identify() *ata.Identify { return nil }

// Name returns nothing.
func (*Source) Name() string { return "" }

// Carries answers ErrUnsupported.
func (*Source) Carries(string) (bool, error) { return false, ErrUnsupported }

// Close does nothing.
func (*Source) Close() error { return nil }
