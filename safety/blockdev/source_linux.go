package blockdev

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// alignment of buffers for direct reads: a page, which is at least the logical
// sector of any device here (open(2), O_DIRECT).
const alignment = 4096

// readMost is the most that one call asks of the kernel, in bytes. Measured on a disk
// of today: direct reads of 4 and 8 MiB were no faster.
const readMost = 1 << 20

// Source is a block device opened for reading only, past the cache (O_DIRECT),
// and held exclusively (O_EXCL), as an image.Source. A read error is an
// *image.ReadError; a read that touches one sector which cannot be read gives
// nothing of the others, so callers that want them ask for less.
type Source struct {
	f          *os.File
	path       string
	size       int64
	sectorSize int
	identity   image.Identity
	rdev       uint64
	sequence   uint64 // of the medium, 0 where the kernel does not count
	buffers    sync.Pool
}

// OpenSource opens the block device at path. A device that is mounted, in any
// part, or held by somebody else is a *BusyError; anything but a block device
// is a *NotDeviceError, and is not opened.
func OpenSource(path string) (*Source, error) {
	var st unix.Stat_t
	p, err := unix.Open(path, unix.O_PATH|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: path, Err: err}
	}
	defer unix.Close(p)
	if err := unix.Fstat(p, &st); err != nil {
		return nil, &os.PathError{Op: "stat", Path: path, Err: err}
	}
	if st.Mode&unix.S_IFMT != unix.S_IFBLK {
		return nil, &NotDeviceError{path}
	}
	// By its descriptor: the name may mean something else by now.
	fd, err := unix.Open(fmt.Sprintf("/proc/self/fd/%d", p), unix.O_RDONLY|unix.O_DIRECT|unix.O_EXCL|unix.O_CLOEXEC, 0)
	if errors.Is(err, unix.EBUSY) {
		return nil, &BusyError{path, mountsOf(st.Rdev)}
	}
	if err != nil {
		return nil, openError(path, err)
	}
	s := &Source{f: os.NewFile(uintptr(fd), path), path: path, rdev: st.Rdev}
	s.buffers.New = func() any { b := aligned(readMost); return &b }
	if err := s.ask(st.Rdev); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func openError(path string, err error) error {
	if faultOf(err) == image.Gone {
		return &image.ReadError{Fault: image.Gone, Err: &os.PathError{Op: "open", Path: path, Err: err}}
	}
	return &os.PathError{Op: "open", Path: path, Err: err}
}

// ask asks the kernel for size, sector size and identity, and refuses a device
// that is mounted although it could be opened: a sibling of a held partition,
// or a mount of which O_EXCL knows nothing.
func (s *Source) ask(rdev uint64) error {
	fd := int(s.f.Fd())
	size, err := deviceSize(fd)
	if err != nil {
		return &os.PathError{Op: "size of", Path: s.path, Err: err}
	}
	sector, err := unix.IoctlGetInt(fd, unix.BLKSSZGET)
	if err != nil {
		return &os.PathError{Op: "sector size of", Path: s.path, Err: err}
	}
	if err := image.CheckSectorSize(sector); err != nil {
		return fmt.Errorf("%s: %w", s.path, err)
	}
	if size == 0 {
		return &image.ReadError{Fault: image.Gone, Err: fmt.Errorf("%s has no medium: its size is 0", s.path)}
	}
	if m := mountsOf(rdev); len(m) > 0 {
		return &BusyError{s.path, m}
	}
	s.size, s.sectorSize, s.identity = size, sector, identify(rdev)
	s.sequence = diskSequence(fd)
	return nil
}

func deviceSize(fd int) (int64, error) {
	var n uint64
	_, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.BLKGETSIZE64, uintptr(unsafe.Pointer(&n)))
	if e != 0 {
		return 0, e
	}
	return int64(n), nil
}

// diskSequence asks for the number of the medium, which the kernel changes with
// every other medium (BLKGETDISKSEQ); 0 from a kernel that does not count.
func diskSequence(fd int) uint64 {
	var n uint64
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.BLKGETDISKSEQ, uintptr(unsafe.Pointer(&n))); e != 0 {
		return 0
	}
	return n
}

// Still asks the kernel, not the drive, whether the device is what was opened.
// The error is an *image.ReadError: Gone, or Changed if its size or medium is
// another one.
func (s *Source) Still() error {
	fd := int(s.f.Fd())
	size, err := deviceSize(fd)
	switch {
	case err != nil:
		return &image.ReadError{Fault: image.Gone, Err: err}
	case size == 0:
		return &image.ReadError{Fault: image.Gone, Err: errors.New("its size is 0")}
	case size != s.size:
		return &image.ReadError{Fault: image.Changed, Err: fmt.Errorf("it had %d bytes and has %d", s.size, size)}
	case s.sequence != 0 && diskSequence(fd) != s.sequence:
		return &image.ReadError{Fault: image.Changed, Err: errors.New("its medium was replaced")}
	}
	return nil
}

// Size returns the size of the device in bytes, by the kernel (BLKGETSIZE64).
func (s *Source) Size() int64 { return s.size }

// SectorSize returns the logical sector size in bytes (BLKSSZGET).
func (s *Source) SectorSize() int { return s.sectorSize }

// Identity returns what the device says of itself.
func (s *Source) Identity() image.Identity { return s.identity }

// Name returns the path that OpenSource was given.
func (s *Source) Name() string { return s.path }

// Close lets the device go.
func (s *Source) Close() error { return s.f.Close() }

// ReadAt reads whole sectors around what is asked for, in aligned buffers, with
// one call to the kernel for each MiB, and never another for what failed.
func (s *Source) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("negative offset %d", off)
	}
	box := s.buffers.Get().(*[]byte)
	defer s.buffers.Put(box)
	n, sector := 0, int64(s.sectorSize)
	for n < len(p) {
		at := off + int64(n)
		if at >= s.size {
			return n, io.EOF
		}
		start := at / sector * sector
		end := min((off+int64(len(p))+sector-1)/sector*sector, s.size/sector*sector, start+readMost)
		if end <= start {
			return n, io.EOF // less than a sector at the end of the device
		}
		buf := (*box)[:end-start]
		if err := s.readSectors(buf, start); err != nil {
			return 0, err
		}
		n += copy(p[n:], buf[at-start:])
	}
	return n, nil
}

// readSectors fills buf or fails as a whole. A read that comes back short goes
// on behind what came: it is not the end of the device.
func (s *Source) readSectors(buf []byte, off int64) error {
	fd := int(s.f.Fd())
	span := disk.Span{Start: disk.Sector(off / int64(s.sectorSize)), Count: disk.Sector(len(buf) / s.sectorSize)}
	for n := 0; n < len(buf); {
		got, err := unix.Pread(fd, buf[n:], off+int64(n))
		if errors.Is(err, unix.EINTR) {
			continue
		}
		got -= max(got, 0) % s.sectorSize // a part of a sector is none
		switch {
		case err != nil:
			return &image.ReadError{Span: span, Fault: s.whatNow(err), Err: err}
		case got == 0 && s.isGone():
			return &image.ReadError{Span: span, Fault: image.Gone, Err: io.ErrUnexpectedEOF}
		case got == 0:
			return &image.ReadError{Span: span, Fault: image.ShortRead, Err: io.ErrUnexpectedEOF}
		}
		n += got
	}
	return nil
}

// whatNow tells a bad sector from a drive that is no longer there: the kernel
// may answer EIO for both.
func (s *Source) whatNow(err error) image.Fault {
	fault := faultOf(err)
	if fault != image.Gone && s.isGone() {
		return image.Gone
	}
	return fault
}

// isGone asks the kernel, not the drive, whether it still has the device; only
// a reader is asked itself, whether its card is still in it.
func (s *Source) isGone() bool {
	fd := int(s.f.Fd())
	if size, err := deviceSize(fd); err != nil || size == 0 {
		return true
	}
	return s.identity.Removable && faultOf(stillHere(fd)) == image.Gone
}

// faultOf tells the kinds of read errors apart: errno(3), and the block layer's
// own table of them (Linux, block/blk-core.c, blk_errors).
func faultOf(err error) image.Fault {
	var e unix.Errno
	if !errors.As(err, &e) {
		return image.Other
	}
	switch e {
	case unix.EIO, unix.ENODATA, unix.EILSEQ, unix.EREMOTEIO, unix.EBADE:
		return image.BadSector
	case unix.ETIMEDOUT, unix.ETIME:
		return image.TimedOut
	case unix.ENXIO, unix.ENODEV, unix.ENOMEDIUM, unix.ENOLINK, unix.ESHUTDOWN, unix.ENOTCONN:
		return image.Gone
	}
	return image.Other
}

// aligned returns n bytes that begin on a page.
func aligned(n int) []byte {
	b := make([]byte, n+alignment)
	skip := alignment - int(uintptr(unsafe.Pointer(&b[0]))%alignment)
	return b[skip : skip+n : skip+n]
}
