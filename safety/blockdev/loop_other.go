//go:build !linux

package blockdev

import "io/fs"

// Loops returns none: only Linux has loop devices.
func Loops() ([]Loop, error) { return nil, nil }

// Uses is false where there are no loop devices.
func (Loop) Uses(fs.FileInfo) bool { return false }
