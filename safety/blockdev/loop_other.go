//go:build !linux

package blockdev

import "io/fs"

// Loop is a loop device in use.
type Loop struct{ Node, File string }

// Loops returns none: only Linux has loop devices.
func Loops() ([]Loop, error) { return nil, nil }

// Uses is false where there are no loop devices.
func (Loop) Uses(fs.FileInfo) (bool, error) { return false, nil }
