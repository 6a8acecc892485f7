// Package blockdev opens block devices, and is the only place that asks the
// kernel about them. What is opened as a source is opened for reading only,
// past the cache, and held exclusively; nothing here writes to it.
//
// Windows and macOS keep no program from a disk that another one reads. There the
// volumes that the system has mounted from it are kept from everybody else
// (Windows), or it is refused (macOS).
//
// Cards are written on Linux alone: elsewhere calls that would write answer
// ErrNotWritten. On systems other than these three all calls answer ErrUnsupported.
package blockdev

import (
	"errors"
	"fmt"
	"strings"
)

// ErrUnsupported is the answer of systems on which devices are not handled.
var ErrUnsupported = errors.New("devices are not handled on this system")

// ErrNotWritten is the answer of systems on which devices are read alone.
var ErrNotWritten = errors.New("devices are only read on this system")

// NotDeviceError says that a path names something other than a block device.
type NotDeviceError struct{ Path string }

func (e *NotDeviceError) Error() string { return e.Path + " is not a block device" }

func layersText(layers []string) string {
	if len(layers) == 1 {
		return layers[0] + " lies"
	}
	return strings.Join(layers, ", ") + " lie"
}

// BusyError says that a device is in use, and by what.
type BusyError struct {
	Path   string
	Mounts []string // the folders on which it, a partition of it, or what lies on these is mounted
	Layers []string // devices that lie on it, and hold it
	Ends   []string // what is to be typed so that they do not, the topmost first
}

func (e *BusyError) Error() string {
	if len(e.Mounts) == 0 && len(e.Layers) > 0 {
		return fmt.Sprintf("refusing to read %s: %s on it, and what is written there changes it; first run: %s", e.Path,
			layersText(e.Layers), strings.Join(e.Ends, " && "))
	}
	if len(e.Mounts) == 0 {
		return fmt.Sprintf(
			"refusing to read %s: another program or the kernel holds it (a mount in another namespace, swap, "+
				"RAID, an encrypted volume, or another capture)",
			e.Path)
	}
	return fmt.Sprintf(
		"refusing to read %s: it is mounted, and a mounted old drive is worn and may be changed; first run: %s",
		e.Path, unmountLine(e.Path, e.Mounts))
}
