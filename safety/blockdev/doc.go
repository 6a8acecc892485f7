// Package blockdev opens block devices, and is the only place that asks the
// kernel about them. What is opened as a source is opened for reading only,
// past the cache, and held exclusively; nothing here writes to it.
//
// On systems other than Linux every call answers ErrUnsupported.
package blockdev

import (
	"errors"
	"fmt"
	"strings"
)

// ErrUnsupported is the answer of systems on which devices are not handled.
var ErrUnsupported = errors.New("devices are not supported on this system: capture on Linux, then work with the image file")

// NotDeviceError says that a path names something other than a block device.
type NotDeviceError struct{ Path string }

func (e *NotDeviceError) Error() string { return e.Path + " is not a block device" }

// BusyError says that a device is in use, and by what.
type BusyError struct {
	Path   string
	Mounts []string // the folders on which it, or a partition of it, is mounted
}

func (e *BusyError) Error() string {
	if len(e.Mounts) == 0 {
		return fmt.Sprintf(
			"refusing to read %s: another program or the kernel holds it (a mount in another namespace, swap, "+
				"RAID, an encrypted volume, or another capture)",
			e.Path)
	}
	lines := make([]string, len(e.Mounts))
	for i, m := range e.Mounts {
		lines[i] = "umount " + quote(m)
	}
	return fmt.Sprintf(
		"refusing to read %s: it is mounted, and a mounted old drive is worn and may be changed; first run: %s",
		e.Path, strings.Join(lines, " && "))
}

// quote makes a folder safe to paste into a shell.
func quote(s string) string {
	plain := strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+:@") == ""
	if plain && s != "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
