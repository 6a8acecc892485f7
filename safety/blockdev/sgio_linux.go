package blockdev

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"bootgraft/image/ata"
)

// sgHeader is struct sg_io_hdr of the kernel (include/uapi/scsi/sg.h), which
// golang.org/x/sys does not have.
type sgHeader struct {
	interfaceID int32 // 'S'
	direction   int32
	cmdLen      uint8
	mxSbLen     uint8
	_           uint16 // iovec_count
	dxferLen    uint32
	dxferp      unsafe.Pointer
	cmdp        unsafe.Pointer
	sbp         unsafe.Pointer
	timeout     uint32 // milliseconds
	_           uint32 // flags
	_           int32  // pack_id
	_           unsafe.Pointer
	status      uint8
	_           uint8 // masked_status
	_           uint8 // msg_status
	sbLenWr     uint8
	hostStatus  uint16
	_           uint16 // driver_status: says again that there are sense data
	resid       int32
	_           uint32 // duration
	_           uint32 // info
}

// The size of struct sg_io_hdr: 64 bytes where a pointer has 4, 88 where it has 8.
const (
	pointerIs8   = ^uintptr(0) >> 63
	sgHeaderSize = 64 + 24*pointerIs8
)

// These do not compile where the size is another one.
var (
	_ [sgHeaderSize - unsafe.Sizeof(sgHeader{})]struct{}
	_ [unsafe.Sizeof(sgHeader{}) - sgHeaderSize]struct{}
)

// From include/uapi/scsi/sg.h.
const (
	sgIO         = 0x2285
	sgDxferNone  = -1
	sgDxferIn    = -3
	sgSenseBytes = 64
)

// sgTimeout is how long a drive may take for an answer, in milliseconds: by hand, no
// source. After it the kernel resets the drive, which is worse than to wait, and
// one that starts its motor takes up to ten seconds.
const sgTimeout = 20_000

// sg sends commands to the drive behind a device. ioctl is the kernel, or a test.
type sg struct {
	ioctl func(*sgHeader) error
}

func newSG(fd int) sg {
	return sg{func(h *sgHeader) error {
		for {
			_, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), sgIO, uintptr(unsafe.Pointer(h)))
			if e == 0 {
				return nil
			}
			if e != unix.EINTR {
				return e
			}
		}
	}}
}

// Send implements ata.Sender.
func (s sg) Send(c ata.Command) ([]byte, ata.Registers, error) {
	cdb, answer, _ := c.Request()
	return s.send(cdb, answer)
}

// send is the only place where a command goes to a drive, and lets none pass but the
// four that change nothing.
func (s sg) send(cdb [16]byte, answer int) ([]byte, ata.Registers, error) {
	if !ata.Allowed(cdb) {
		return nil, ata.Registers{}, &ata.NotAllowedError{CDB: cdb}
	}
	data, sense := make([]byte, max(answer, 1)), make([]byte, sgSenseBytes)
	h := &sgHeader{
		interfaceID: 'S', direction: sgDxferNone, cmdLen: uint8(len(cdb)), cmdp: unsafe.Pointer(&cdb[0]),
		mxSbLen: sgSenseBytes, sbp: unsafe.Pointer(&sense[0]), timeout: sgTimeout,
	}
	if answer > 0 {
		h.direction, h.dxferLen, h.dxferp = sgDxferIn, uint32(answer), unsafe.Pointer(&data[0])
	}
	var pins runtime.Pinner // the kernel follows the pointers in h
	defer pins.Unpin()
	pins.Pin(&cdb[0])
	pins.Pin(&sense[0])
	pins.Pin(&data[0])
	switch err := s.ioctl(h); {
	case errors.Is(err, unix.ENOTTY) || errors.Is(err, unix.EINVAL):
		return nil, ata.Registers{}, ata.ErrReader
	case errors.Is(err, unix.EPERM) || errors.Is(err, unix.EACCES):
		return nil, ata.Registers{}, fmt.Errorf("the drive may be asked by root alone: %w", err)
	case err != nil:
		return nil, ata.Registers{}, fmt.Errorf("the drive could not be asked: %w", err)
	case h.hostStatus != 0:
		return nil, ata.Registers{}, fmt.Errorf("the drive, or what reads it, gave no answer (host status %02X)",
			h.hostStatus)
	}
	r, err := ata.Answer(h.status, sense[:min(int(h.sbLenWr), len(sense))])
	if err != nil {
		return nil, r, err
	}
	if answer > 0 && h.resid != 0 {
		return nil, r, fmt.Errorf("the drive, or what reads it, gave %d of %d bytes", answer-int(h.resid), answer)
	}
	return data[:answer], r, nil
}

// Drive asks the drive behind the device what it is, once, with commands that change
// nothing. What the kernel keeps of its IDENTIFY is not asked for again: it does so for
// disks on its own ATA ports, and behind no USB bridge. A partition is no drive, and a
// memory card or a loop device is not asked.
func (s *Source) Drive() ata.Drive {
	conn, err := s.f.SyscallConn()
	if err != nil {
		return ata.Drive{Why: err.Error()}
	}
	var d ata.Drive
	if err := conn.Control(func(fd uintptr) { d = askDrive(s.rdev, newSG(int(fd))) }); err != nil {
		d.Why = err.Error()
	}
	return d
}

// Drive asks as that of a Source does; what could not be held is not asked.
func (t *Target) Drive() ata.Drive {
	if !t.isDevice() || t.fd < 0 {
		return ata.Drive{}
	}
	return askDrive(t.st.Rdev, newSG(t.fd))
}

func askDrive(rdev uint64, to sg) ata.Drive {
	dir := sysDir(rdev)
	if dir == "" || wholeDisk(dir) != dir || !strings.HasPrefix(filepath.Base(dir), "sd") {
		return ata.Drive{}
	}
	kept, err := os.ReadFile(filepath.Join(dir, "device/vpd_pg89"))
	if err != nil {
		kept = nil
	}
	return ata.Ask(kept, to.Send)
}
