package input

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
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
	case errors.As(err, &busy), errors.As(err, &two):
		return talk.Coded(talk.ExitRefused, err)
	case errors.Is(err, blockdev.ErrNotWritten):
		return talk.Coded(talk.ExitRefused, fmt.Errorf("%s is a device: %w", path, ErrNoDevices))
	case errors.Is(err, blockdev.ErrUnsupported):
		return talk.Coded(talk.ExitRefused, fmt.Errorf("%s is a device: %w", path, ErrNoDisks))
	case image.FaultOf(err) == image.Gone:
		return fmt.Errorf("there is no card or drive in %s, or it was pulled: %w", path, err)
	}
	return SourceError(path, err)
}

// CaptureError gives a capture that cannot begin or go on its exit code.
func CaptureError(err error) error {
	var other *capture.DifferentDriveError
	var two *capture.TwoDrivesError
	var mismatch *record.MismatchError
	var space *capture.SpaceError
	var target *capture.TargetError
	var inUse *capture.InUseError
	var later *disk.NewerFormError
	var path *fs.PathError
	switch {
	case errors.As(err, &other), errors.As(err, &two), errors.As(err, &mismatch), errors.As(err, &space),
		errors.As(err, &target), errors.As(err, &inUse), errors.As(err, &later):
		return talk.Coded(talk.ExitRefused, err)
	case errors.Is(err, fs.ErrPermission) && errors.As(err, &path):
		return PermissionError(path.Path, path.Err)
	}
	return err
}

// PermissionError says which line to type instead.
func PermissionError(what string, err error) error {
	var typed []string
	for _, a := range os.Args {
		typed = append(typed, words.Verbatim(a))
	}
	line := strings.Join(typed, " ")
	if asked := words.AsRoot(line); asked != line {
		return fmt.Errorf("no permission for %s: %w. Type:\n\n  %s", what, err, asked)
	}
	if os.Geteuid() == 0 {
		return fmt.Errorf("no permission for %s, and you are root already: %w", what, err)
	}
	return fmt.Errorf("no permission for %s: %w. Try again as administrator", what, err)
}

// SourceError says what to do about a SOURCE that does not open.
func SourceError(path string, err error) error {
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind) && kind.Kind == image.PartOfDisk:
		return talk.Coded(talk.ExitUsage, PartError(path))
	case errors.As(err, &kind):
		return fmt.Errorf("%w; give the path of a file, such as the image of a drive", err)
	case errors.Is(err, fs.ErrNotExist) && IsDevice(path): // as Windows names them
		return fmt.Errorf("there is no disk %s; bootgraft survey lists those of this machine", path)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no file %s", path)
	case errors.Is(err, fs.ErrPermission):
		return PermissionError(path, fs.ErrPermission)
	}
	return err
}

// PartError says which whole disk to type instead of a part of it.
func PartError(path string) error {
	whole := "the whole disk; bootgraft survey lists the disks of this machine"
	if node := blockdev.WholeOf(path); node != "" {
		whole = "the whole disk, " + node
	}
	return fmt.Errorf("%s is %s: its table, its boot areas and its tail are not in it; give %s", path, image.PartOfDisk,
		whole)
}

// SayTold says how a disk was opened, where its system did not make that plain.
func SayTold(u *talk.UI, src image.Source) {
	d, ok := src.(*blockdev.Source)
	if !ok {
		return
	}
	for _, text := range d.Told() {
		u.Sayf("note: %s", text)
	}
}

// ErrNoDevices is the answer where a card would be written, on systems on which none is.
var ErrNoDevices = errors.New(`cards are written on Linux only, and nothing was written: make the image
file of the card here (bootgraft write card.plan card.img), and hand card.img
over to be copied onto the card on Linux`)

// ErrNoDisks is the answer of systems on which devices are not handled at all.
var ErrNoDisks = errors.New(`disks and cards are not handled on this system; nothing was read or written.
What works here is everything with image files: survey, plan, files, write,
verify and card of an image, and demo`)

// TargetError gives the refusal of a target its exit code.
func TargetError(err error) error {
	var r *safety.Refusal
	if errors.As(err, &r) {
		return talk.Coded(talk.ExitRefused, err)
	}
	return err
}
