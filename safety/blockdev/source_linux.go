package blockdev

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"

	"bootgraft/image"
)

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
		return nil, busy(path, st.Rdev)
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
	if b := busy(s.path, rdev); len(b.Mounts) > 0 {
		return b
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
	box := s.buffers.Get().(*[]byte)
	defer s.buffers.Put(box)
	return around(p, off, s.size, s.sectorSize, *box, func(buf []byte, off int64) error {
		return fill(buf, off, s.sectorSize, s.pread, s.whatNow, s.isGone)
	})
}

func (s *Source) pread(buf []byte, off int64) (int, error) {
	for {
		n, err := unix.Pread(int(s.f.Fd()), buf, off)
		if !errors.Is(err, unix.EINTR) {
			return n, err
		}
	}
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

// Told returns nothing: the kernel tells everything.
func (s *Source) Told() []string { return nil }

// WholeOf knows no names of parts: a partition is read like a disk here.
func WholeOf(string) string { return "" }
