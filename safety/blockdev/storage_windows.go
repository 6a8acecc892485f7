package blockdev

import (
	"encoding/binary"
	"errors"
	"strings"

	"golang.org/x/sys/windows"

	"bootgraft/image"
)

// Control codes of winioctl.h. Only FSCTL_LOCK_VOLUME changes anything, and nothing on
// the disk.
const (
	ioctlDiskGetDriveGeometry   = 0x070000
	ioctlDiskIsWritable         = 0x070024
	ioctlDiskGetDriveGeometryEx = 0x0700A0
	ioctlDiskGetDiskAttributes  = 0x0700F0
	ioctlDiskGetLengthInfo      = 0x07405C
	fsctlLockVolume             = 0x090018
	ioctlStorageGetDeviceNumber = 0x2D1080
	ioctlStorageQueryProperty   = 0x2D1400
	ioctlStorageCheckVerify     = 0x2D4800
	ioctlVolumeGetDiskExtents   = 0x560000
)

// Properties of STORAGE_PROPERTY_QUERY.
const (
	storageDeviceProperty          = 0
	storageAccessAlignmentProperty = 6
)

// fileDeviceDisk is the type of a disk in STORAGE_DEVICE_NUMBER (FILE_DEVICE_DISK).
const fileDeviceDisk = 7

// diskAttributeOffline is set where Windows mounts nothing from a disk.
const diskAttributeOffline = 1

// control sends a control code, and returns at most room bytes of the answer.
func control(h windows.Handle, code uint32, in []byte, room int) ([]byte, error) {
	out := make([]byte, max(room, 1))
	var from, to *byte
	if len(in) > 0 {
		from = &in[0]
	}
	if room > 0 {
		to = &out[0]
	}
	var n uint32
	err := windows.DeviceIoControl(h, code, from, uint32(len(in)), to, uint32(room), &n, nil)
	return out[:min(int(n), room)], err
}

// property asks for a property of a disk: a STORAGE_PROPERTY_QUERY of 12 bytes, of
// which the first four name it and the rest are zeros.
func property(h windows.Handle, id uint32) ([]byte, error) {
	in := make([]byte, 12)
	binary.LittleEndian.PutUint32(in, id)
	return control(h, ioctlStorageQueryProperty, in, 4096)
}

// unanswered tells that a driver does not know a question. One who may not ask gets no
// answer either.
func unanswered(err error) bool {
	return errors.Is(err, windows.ERROR_NOT_SUPPORTED) || errors.Is(err, windows.ERROR_INVALID_FUNCTION) ||
		errors.Is(err, windows.ERROR_INVALID_PARAMETER) || errors.Is(err, windows.ERROR_ACCESS_DENIED)
}

func (h *handle) ask() (answers, error) { return ask(h.disk) }

// ask asks a driver what a disk is. What it does not answer stays 0; the error is one
// that says that there is no disk.
func ask(h windows.Handle) (answers, error) {
	var a answers
	for _, question := range []func(windows.Handle) error{
		a.askLength, a.askGeometryEx, a.askAlignment, a.askGeometry, a.askIdentity, a.askWritable,
	} {
		if err := question(h); faultOf(err) == image.Gone || faultOf(err) == image.Changed {
			return a, err
		}
	}
	return a, nil
}

func (a *answers) askLength(h windows.Handle) error {
	b, err := control(h, ioctlDiskGetLengthInfo, nil, 8)
	if err == nil {
		a.size = lengthInfo(b)
	}
	return err
}

func (a *answers) askGeometryEx(h windows.Handle) error {
	b, err := control(h, ioctlDiskGetDriveGeometryEx, nil, 256)
	if err == nil {
		bytes, sectorSize := geometryEx(b)
		a.sectorSize = sectorSize
		if a.size == 0 {
			a.size = bytes
		}
	}
	return err
}

func (a *answers) askAlignment(h windows.Handle) error {
	b, err := property(h, storageAccessAlignmentProperty)
	if n := alignmentDescriptor(b); err == nil && n > 0 {
		a.sectorSize = n
	}
	return err
}

func (a *answers) askGeometry(h windows.Handle) error {
	b, err := control(h, ioctlDiskGetDriveGeometry, nil, 24)
	if err == nil && a.sectorSize == 0 {
		a.sectorSize = geometry(b)
	}
	return err
}

func (a *answers) askIdentity(h windows.Handle) error {
	b, err := property(h, storageDeviceProperty)
	if err == nil {
		a.identity = deviceDescriptor(b)
	}
	return err
}

func (a *answers) askWritable(h windows.Handle) error {
	_, err := control(h, ioctlDiskIsWritable, nil, 0)
	a.readOnly = errors.Is(err, windows.ERROR_WRITE_PROTECT)
	return err
}

// lengthInfo decodes GET_LENGTH_INFORMATION: the size in bytes.
func lengthInfo(b []byte) int64 {
	if len(b) < 8 {
		return 0
	}
	return max(0, int64(binary.LittleEndian.Uint64(b)))
}

// geometry decodes the bytes of a sector in DISK_GEOMETRY.
func geometry(b []byte) (sectorSize int) {
	if len(b) < 24 {
		return 0
	}
	return int(binary.LittleEndian.Uint32(b[20:]))
}

// geometryEx decodes DISK_GEOMETRY_EX: a DISK_GEOMETRY, then the size in bytes.
func geometryEx(b []byte) (size int64, sectorSize int) {
	if len(b) < 32 {
		return 0, 0
	}
	return lengthInfo(b[24:]), geometry(b)
}

// alignmentDescriptor decodes the logical sector size, in bytes, of a
// STORAGE_ACCESS_ALIGNMENT_DESCRIPTOR.
func alignmentDescriptor(b []byte) int {
	if len(b) < 20 {
		return 0
	}
	return int(binary.LittleEndian.Uint32(b[16:]))
}

// busTypes are the values of STORAGE_BUS_TYPE that are called as on Linux, and those
// that have a name of their own here.
var busTypes = map[uint32]string{
	1: "scsi", 2: "ata", 3: "ata", 4: "firewire", 7: "usb", 8: "raid", 9: "iscsi", 10: "sas", 11: "ata", 12: "mmc",
	13: "mmc", 14: "virtual", 15: "virtual", 16: "spaces", 17: "nvme",
}

// deviceDescriptor decodes STORAGE_DEVICE_DESCRIPTOR. Its texts lie where it says, end
// with a zero, and may be absent.
func deviceDescriptor(b []byte) image.Identity {
	if len(b) < 32 {
		return image.Identity{}
	}
	text := func(field int) string {
		at := binary.LittleEndian.Uint32(b[field:])
		if at == 0 || uint64(at) >= uint64(len(b)) {
			return ""
		}
		s, _, _ := strings.Cut(string(b[at:]), "\x00")
		return strings.TrimSpace(strings.Map(printable, s))
	}
	return image.Identity{
		Model:     strings.TrimSpace(text(12) + " " + text(16)),
		Serial:    text(24),
		Bus:       busTypes[binary.LittleEndian.Uint32(b[28:])],
		Removable: b[10] != 0,
	}
}

// extentDisks decodes the numbers of the disks in VOLUME_DISK_EXTENTS.
func extentDisks(b []byte) []int {
	if len(b) < 8 {
		return nil
	}
	var out []int
	for i := range binary.LittleEndian.Uint32(b) {
		at := 8 + 24*uint64(i)
		if at+24 > uint64(len(b)) {
			break
		}
		out = append(out, int(binary.LittleEndian.Uint32(b[at:])))
	}
	return out
}

// deviceNumber decodes the number of a disk in STORAGE_DEVICE_NUMBER.
func deviceNumber(b []byte) (n int, ok bool) {
	if len(b) < 8 || binary.LittleEndian.Uint32(b) != fileDeviceDisk {
		return 0, false
	}
	return int(binary.LittleEndian.Uint32(b[4:])), true
}

// isOffline decodes GET_DISK_ATTRIBUTES.
func isOffline(b []byte) bool {
	return len(b) >= 16 && binary.LittleEndian.Uint64(b[8:])&diskAttributeOffline != 0
}
