package blockdev

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"golang.org/x/sys/windows"

	"bootgraft/image"
)

// handle is an open disk, and the volumes on it that are kept from everybody else as
// long as it is open.
type handle struct {
	disk    windows.Handle
	node    string
	number  int
	volumes []windows.Handle
}

// wholeNode returns \\.\PhysicalDriveN for any way in which it may be written.
func wholeNode(path string) (string, error) {
	n, ok := image.WindowsDisk(path)
	if !ok {
		return "", &NotDeviceError{path}
	}
	return nodeName(n), nil
}

func nodeName(n int) string { return fmt.Sprintf(`\\.\PhysicalDrive%d`, n) }

// openDevice opens a disk or a volume. Both share flags are asked for: without them a
// disk from which a volume is mounted does not open (CreateFile, Physical Disks and
// Volumes). Without access it can be asked what it is by anybody.
func openDevice(name string, access, flags uint32) (windows.Handle, error) {
	p, err := windows.UTF16PtrFromString(name)
	if err != nil {
		return 0, err
	}
	h, err := windows.CreateFile(p, access, windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE, nil, windows.OPEN_EXISTING,
		flags, 0)
	if err != nil {
		return 0, &os.PathError{Op: "open", Path: name, Err: err}
	}
	return h, nil
}

func openHandle(node string) (*handle, error) {
	n, _ := image.WindowsDisk(node)
	h, err := openDevice(node, windows.GENERIC_READ, windows.FILE_FLAG_NO_BUFFERING)
	switch {
	case errors.Is(err, windows.ERROR_FILE_NOT_FOUND), errors.Is(err, windows.ERROR_PATH_NOT_FOUND):
		return nil, &os.PathError{Op: "open", Path: node, Err: fs.ErrNotExist}
	case errors.Is(err, windows.ERROR_SHARING_VIOLATION), errors.Is(err, windows.ERROR_LOCK_VIOLATION):
		return nil, &BusyError{Path: node}
	case err != nil:
		return nil, err
	}
	return &handle{disk: h, node: node, number: n}, nil
}

func (h *handle) close() error {
	var errs []error
	for _, v := range h.volumes {
		errs = append(errs, windows.CloseHandle(v))
	}
	h.volumes = nil
	return errors.Join(append(errs, windows.CloseHandle(h.disk))...)
}

// hold keeps every volume of the disk from all other programs, and from Windows, which
// would write to it: FSCTL_LOCK_VOLUME fails where a file is open. The volume is opened
// for reading too.
func (h *handle) hold(path string) (busy *BusyError, told []string) {
	volumes, err := volumesOf(h.number)
	if err != nil {
		told = append(told, fmt.Sprintf("what Windows has mounted from %s could not be found out: %v", path, err))
	}
	for _, v := range volumes {
		if err := h.lock(v); err != nil {
			return &BusyError{Path: path, Mounts: v.names()}, told
		}
		told = append(told, fmt.Sprintf("Windows had mounted %s from %s and may have written to it; it is kept from Windows "+
			"until this program ends. mountvol /N stops Windows from mounting what is plugged in", v.text(), path))
	}
	return nil, told
}

func (h *handle) lock(v volume) error {
	f, err := openDevice(v.name, windows.GENERIC_READ, 0)
	if err != nil {
		return err
	}
	if _, err := control(f, fsctlLockVolume, nil, 0); err != nil {
		return errors.Join(err, windows.CloseHandle(f))
	}
	h.volumes = append(h.volumes, f)
	return nil
}

func (h *handle) pread(buf []byte, off int64) (int, error) {
	var n uint32
	at := windows.Overlapped{Offset: uint32(off), OffsetHigh: uint32(off >> 32)}
	err := windows.ReadFile(h.disk, buf, &n, &at)
	var number windows.Errno
	switch {
	case errors.Is(err, windows.ERROR_HANDLE_EOF):
		return int(n), nil
	case errors.As(err, &number): // the text is in the language of the machine
		return int(n), fmt.Errorf("%w (error %d)", err, number)
	}
	return int(n), err
}

// still asks whether the disk, and the medium in a reader, is there. Where a driver does
// not answer, opening it once more does, without access: nothing is read.
func (h *handle) still() error {
	_, err := control(h.disk, ioctlStorageCheckVerify, nil, 0)
	if !unanswered(err) {
		return err
	}
	again, err := openDevice(h.node, 0, 0)
	if errors.Is(err, windows.ERROR_FILE_NOT_FOUND) {
		return windows.ERROR_NO_SUCH_DEVICE
	}
	if err != nil {
		return err
	}
	return windows.CloseHandle(again)
}

// isNotReady tells an answer that a drive which is there gives to some reads, among them
// all that Wine passes on of a bad sector.
func isNotReady(err error) bool { return errors.Is(err, windows.ERROR_NOT_READY) }

// isPastEnd tells the answers to a read behind the end of a disk, from memory: a file
// system's, a port driver's, and that of a drive which does not find the sector.
func isPastEnd(err error) bool {
	return errors.Is(err, windows.ERROR_HANDLE_EOF) || errors.Is(err, windows.ERROR_INVALID_PARAMETER) ||
		errors.Is(err, windows.ERROR_SECTOR_NOT_FOUND)
}

// faultOf tells the kinds of errors apart ("System Error Codes" of Windows, 0 to 4499).
func faultOf(err error) image.Fault {
	var e windows.Errno
	if !errors.As(err, &e) {
		return image.Other
	}
	switch e {
	case windows.ERROR_CRC, windows.ERROR_IO_DEVICE, windows.ERROR_SECTOR_NOT_FOUND, windows.ERROR_SEEK,
		windows.ERROR_READ_FAULT, windows.ERROR_DISK_OPERATION_FAILED, windows.ERROR_DISK_RECALIBRATE_FAILED,
		windows.ERROR_DEVICE_HARDWARE_ERROR:
		return image.BadSector
	case windows.ERROR_SEM_TIMEOUT, windows.ERROR_TIMEOUT, windows.ERROR_DISK_RESET_FAILED:
		return image.TimedOut
	case windows.ERROR_NOT_READY, windows.ERROR_BAD_UNIT, windows.ERROR_DEV_NOT_EXIST, windows.ERROR_NO_SUCH_DEVICE,
		windows.ERROR_DEVICE_NOT_CONNECTED, windows.ERROR_NO_MEDIA_IN_DRIVE, windows.ERROR_DEVICE_REMOVED,
		windows.ERROR_DEVICE_NOT_AVAILABLE, windows.ERROR_BAD_DEVICE, windows.ERROR_DEVICE_UNREACHABLE,
		windows.ERROR_OPERATION_ABORTED:
		return image.Gone
	case windows.ERROR_MEDIA_CHANGED, windows.ERROR_WRONG_DISK, windows.ERROR_FILE_INVALID, windows.ERROR_DISK_CHANGE:
		return image.Changed
	}
	return image.Other
}
