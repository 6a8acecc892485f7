package input

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
)

// DeviceError gives a device that cannot be opened its exit code and what to
// type.
func DeviceError(path string, err error) error {
	var busy *blockdev.BusyError
	var two *blockdev.TwoNewError
	switch {
	case errors.As(err, &busy), errors.As(err, &two), errors.Is(err, blockdev.ErrUnsupported):
		return talk.Coded(talk.ExitRefused, err)
	case image.FaultOf(err) == image.Gone:
		return fmt.Errorf("there is no card or drive in %s, or it was pulled: %w", path, err)
	}
	return SourceError(path, err)
}

// CaptureError gives a capture that cannot begin or go on its exit code.
func CaptureError(err error) error {
	var other *capture.DifferentDriveError
	var mismatch *capture.MismatchError
	var space *capture.SpaceError
	var target *capture.TargetError
	var inUse *capture.InUseError
	var later *disk.NewerFormError
	var path *fs.PathError
	switch {
	case errors.As(err, &other), errors.As(err, &mismatch), errors.As(err, &space), errors.As(err, &target), errors.As(err, &inUse), errors.As(err, &later):
		return talk.Coded(talk.ExitRefused, err)
	case errors.Is(err, fs.ErrPermission) && errors.As(err, &path):
		return PermissionError(path.Path, path.Err)
	}
	return err
}

// PermissionError says which line to type instead.
func PermissionError(what string, err error) error {
	if runtime.GOOS == "windows" {
		return fmt.Errorf("no permission for %s: %w. Try again as administrator", what, err)
	}
	typed := []string{"sudo"}
	for _, a := range os.Args {
		typed = append(typed, words.Shell(a))
	}
	return fmt.Errorf("no permission for %s: %w. Type:\n\n  %s", what, err, strings.Join(typed, " "))
}

// SourceError says what to do about a SOURCE that does not open.
func SourceError(path string, err error) error {
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind):
		return fmt.Errorf("%w; give the path of an image file", err)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no file %s", path)
	case errors.Is(err, fs.ErrPermission):
		return PermissionError(path, fs.ErrPermission)
	}
	return err
}

// ErrNoDevices is the answer of systems on which devices are not handled.
var ErrNoDevices = errors.New(`disks and cards are handled on Linux only; nothing was read or written.
What works here is everything with image files: survey, plan, files, write,
verify and card of an image, and demo. Read the drive and write the card on
Linux; the images, records and plans are the same on every system`)

// TargetError gives the refusal of a target its exit code.
func TargetError(err error) error {
	var r *safety.Refusal
	if errors.As(err, &r) {
		return talk.Coded(talk.ExitRefused, err)
	}
	return err
}
