package blockdev

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Target is what a name means, held so that it cannot change its meaning. If
// it is a block device that nobody uses it is open for reading and writing,
// past the cache, and held exclusively: no mount, swap, RAID or file system
// program can take it, or a partition of it, as long as it is open.
//
// Everything is asked of the open descriptor, never of the name again.
type Target struct {
	path string
	name int // descriptor of the name, opened with O_PATH
	st   unix.Stat_t
	fd   int // -1 if it could not be held
	held error

	size       int64
	sectorSize int
	sequence   uint64
	waited     atomic.Bool // a failed write was given the time to show that the card leaves
	buffers    sync.Pool
}

// OpenTarget takes hold of what path names. Only a name that leads nowhere is
// an error here; a device that cannot be held is returned to be looked at, and
// Facts.Held says why. Anything but a block device is not opened at all.
func OpenTarget(path string) (*Target, error) { return openTarget(path, unix.O_RDWR) }

// OpenReadOnly takes hold of what path names as OpenTarget does, to look at it
// alone: the device is open for reading, and no write can reach it.
func OpenReadOnly(path string) (*Target, error) { return openTarget(path, unix.O_RDONLY) }

func openTarget(path string, access int) (*Target, error) {
	p, err := unix.Open(path, unix.O_PATH|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: path, Err: err}
	}
	t := &Target{path: path, name: p, fd: -1}
	t.buffers.New = func() any { b := aligned(readMost); return &b }
	if err := unix.Fstat(p, &t.st); err != nil {
		return nil, errors.Join(&os.PathError{Op: "stat", Path: path, Err: err}, t.Close())
	}
	if t.isDevice() {
		t.hold(access)
	}
	return t, nil
}

func (t *Target) isDevice() bool { return t.st.Mode&unix.S_IFMT == unix.S_IFBLK }

// hold opens the device by the descriptor of its name: the name may mean
// something else by now. access is O_RDWR or O_RDONLY.
func (t *Target) hold(access int) {
	fd, err := unix.Open(fmt.Sprintf("/proc/self/fd/%d", t.name), access|unix.O_EXCL|unix.O_DIRECT|unix.O_CLOEXEC, 0)
	if err != nil {
		t.held = &os.PathError{Op: "open", Path: t.path, Err: err}
		t.sizeFromSys()
		return
	}
	if err := t.ask(fd); err != nil {
		t.held = errors.Join(err, unix.Close(fd))
		t.sizeFromSys()
		return
	}
	t.fd = fd
	t.sequence = diskSequence(t.fd)
}

// ask asks the open device what it is.
func (t *Target) ask(fd int) error {
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil || st.Dev != t.st.Dev || st.Ino != t.st.Ino || st.Rdev != t.st.Rdev {
		return fmt.Errorf("%s was replaced while it was opened", t.path)
	}
	// Keeps udev from probing it meanwhile; nothing depends on it.
	_ = unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB)
	var err error
	if t.size, err = deviceSize(fd); err != nil {
		return &os.PathError{Op: "size of", Path: t.path, Err: err}
	}
	if t.sectorSize, err = unix.IoctlGetInt(fd, unix.BLKSSZGET); err != nil {
		return &os.PathError{Op: "sector size of", Path: t.path, Err: err}
	}
	return nil
}

// sizeFromSys asks sysfs, which counts in units of 512 bytes, where the device
// itself cannot be asked.
func (t *Target) sizeFromSys() {
	dir := sysDir(t.st.Rdev)
	t.size = integer(attribute(dir, "size")) * 512
	t.sectorSize = int(integer(attribute(wholeDisk(dir), "queue/logical_block_size")))
	t.sequence = uint64(integer(attribute(wholeDisk(dir), "diskseq")))
}

func integer(s string) int64 {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return 0
	}
	return n
}

// Name returns the path that OpenTarget was given.
func (t *Target) Name() string { return t.path }

// Mode tells what kind of thing the target is.
func (t *Target) Mode() fs.FileMode {
	st, err := os.Stat(fmt.Sprintf("/proc/self/fd/%d", t.name))
	if err != nil {
		return fs.ModeIrregular
	}
	return st.Mode()
}

// Size returns the size in bytes that it had when it was opened.
func (t *Target) Size() int64 { return t.size }

// SectorSize returns the logical sector size in bytes.
func (t *Target) SectorSize() int { return t.sectorSize }

// Close lets the device go.
func (t *Target) Close() error {
	var errs []error
	for _, fd := range []*int{&t.fd, &t.name} {
		if *fd >= 0 {
			errs = append(errs, unix.Close(*fd))
			*fd = -1
		}
	}
	return errors.Join(errs...)
}

// span names bytes of the device in sectors.
func (t *Target) span(off int64, n int) disk.Span {
	size := max(int64(t.sectorSize), 1)
	return disk.Between(disk.Sector(off/size), disk.Sector((off+int64(n)+size-1)/size))
}

// errNotHeld is the answer of a device that Facts.Held says is not held.
var errNotHeld = errors.New("the device is not held")

// ReadAt reads past the cache, whole sectors around what is asked for. A read
// error is an *image.ReadError.
func (t *Target) ReadAt(p []byte, off int64) (int, error) {
	if t.fd < 0 {
		return 0, errNotHeld
	}
	if sector := int64(t.sectorSize); isAligned(p) && off >= 0 && off%sector == 0 && int64(len(p))%sector == 0 &&
		off+int64(len(p)) <= t.size {
		return t.transfer(unix.Pread, p, off)
	}
	box := t.buffers.Get().(*[]byte)
	defer t.buffers.Put(box)
	return around(p, off, t.size, t.sectorSize, *box, func(buf []byte, off int64) error {
		_, err := t.transfer(unix.Pread, buf, off)
		return err
	})
}

// WriteAt writes whole sectors past the cache. An error is an *image.ReadError
// too: it names the sectors, and tells a card that is gone from one that fails.
func (t *Target) WriteAt(p []byte, off int64) (int, error) {
	if t.fd < 0 {
		return 0, errNotHeld
	}
	if sector := int64(t.sectorSize); off < 0 || off%sector != 0 || int64(len(p))%sector != 0 ||
		off+int64(len(p)) > t.size {
		return 0, fmt.Errorf("a write of %d bytes at %d is not whole sectors inside a device of %d bytes", len(p), off,
			t.size)
	}
	if isAligned(p) {
		return t.put(p, off)
	}
	box := t.buffers.Get().(*[]byte)
	defer t.buffers.Put(box)
	for n := 0; n < len(p); {
		c := copy(*box, p[n:])
		done, err := t.put((*box)[:c], off+int64(n))
		n += done
		if err != nil {
			return n, err
		}
	}
	return len(p), nil
}

// leaving is how long a memory card that was pulled may still be there for the
// kernel: its slot waits until the contacts are quiet, and every transfer until
// then gives EIO.
const leaving = time.Second

// put writes all of an aligned b or fails. After the first error there is time
// to see whether the card is leaving; a restore that goes on through many bad
// sectors is not held up at each.
func (t *Target) put(b []byte, off int64) (int, error) {
	n, err := t.transfer(unix.Pwrite, b, off)
	var failed *image.ReadError
	if !errors.As(err, &failed) {
		return n, err
	}
	if failed.Fault != image.Gone && !t.waited.Swap(true) {
		time.Sleep(leaving)
		errors.As(t.failed(failed.Span, failed.Err), &failed)
	}
	failed.Writing = true
	return n, failed
}

// isAligned tells whether the kernel takes the buffer for direct transfers.
func isAligned(p []byte) bool {
	return len(p) > 0 && uintptr(unsafe.Pointer(&p[0]))%alignment == 0
}

// transfer moves all of b or fails.
func (t *Target) transfer(call func(int, []byte, int64) (int, error), b []byte, off int64) (int, error) {
	for n := 0; n < len(b); {
		got, err := call(t.fd, b[n:], off+int64(n))
		if errors.Is(err, unix.EINTR) {
			continue
		}
		got -= max(got, 0) % t.sectorSize // a part of a sector is none
		if err == nil && got <= 0 {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return n, t.failed(t.span(off+int64(n), len(b)-n), err)
		}
		n += got
	}
	return len(b), nil
}

// failed tells a bad sector from a card that is gone, and both from a device
// that stores in something that is full. ENOSPC is the answer of a device whose
// capacity is 0 by now, and of one that is still there: a loop device whose file
// has no room to grow, or a volume with less behind it than it shows.
func (t *Target) failed(at disk.Span, err error) error {
	fault := faultOf(err)
	size, e := deviceSize(t.fd)
	here := stillHere(t.name)
	switch {
	case errors.Is(err, unix.ENOSPC) && e == nil && size == t.size && here == nil:
		fault = image.Other
		if !errors.Is(err, errStoreFull) {
			err = fmt.Errorf("%w (%w)", errStoreFull, err)
		}
	case errors.Is(err, unix.ENOSPC):
		fault, err = image.Gone, fmt.Errorf("its capacity is 0 now, it was pulled (%w)", err)
	case e != nil || size != t.size:
		fault = image.Gone
	case fault != image.Gone && faultOf(here) == image.Gone:
		fault, err = image.Gone, fmt.Errorf("%w (%w)", here, err)
	}
	return &image.ReadError{Span: at, Fault: fault, Err: err}
}

var errStoreFull = errors.New("the device is still there, but what it stores in is full: make room where the file of " +
	"a loop device lies")

// stillHere opens a device once more by its descriptor, which makes the kernel
// ask a reader for its card. Where a card leaves and its reader stays, an open
// descriptor keeps its size and answers EIO, as for a bad sector; and unless
// something polls the reader, another card in it would go unseen.
func stillHere(fd int) error {
	again, err := unix.Open(fmt.Sprintf("/proc/self/fd/%d", fd), unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return err
	}
	return unix.Close(again)
}

// Flush makes everything written so far outlast a power cut, as far as the
// device says the truth about it: fsync(2).
func (t *Target) Flush() error {
	if t.fd < 0 {
		return errNotHeld
	}
	if err := unix.Fsync(t.fd); err != nil {
		return t.failed(disk.Span{}, fmt.Errorf("flushing: %w", err))
	}
	return nil
}

// Forget drops what the system caches of the device (BLKFLSBUF), so that the
// next read asks the device itself.
func (t *Target) Forget() error {
	if t.fd < 0 {
		return errNotHeld
	}
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(t.fd), unix.BLKFLSBUF, 0); e != 0 {
		return t.failed(disk.Span{}, fmt.Errorf("dropping the cache: %w", e))
	}
	return nil
}

// Same returns an error if the device is no longer what was opened: pulled, or
// another card in the reader.
func (t *Target) Same() error {
	if t.fd < 0 {
		return errNotHeld
	}
	if err := stillHere(t.name); err != nil {
		return t.failed(disk.Span{}, err)
	}
	size, err := deviceSize(t.fd)
	switch {
	case err != nil:
		return t.failed(disk.Span{}, err)
	case size != t.size:
		return t.failed(disk.Span{}, fmt.Errorf("it had %d bytes when it was opened, and has %d now", t.size, size))
	}
	if now := diskSequence(t.fd); now != t.sequence {
		return &image.ReadError{Fault: image.Gone, Err: fmt.Errorf("another card was put in, or the same one again "+
			"(%d, then %d)", t.sequence, now)}
	}
	return nil
}
