package blockdev

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"bootgraft/image"
)

// From <sys/disk.h> of macOS: _IOR('d', 24, uint32_t), _IOR('d', 25, uint64_t) and
// _IOR('d', 29, uint32_t).
const (
	dkiocGetBlockSize  = 0x40046418
	dkiocGetBlockCount = 0x40086419
	dkiocIsWritable    = 0x4004641D
)

// handle is an open disk.
type handle struct {
	fd     int
	number int
}

// wholeNode returns /dev/rdiskN, which is read past the cache, for the whole disk of
// this name or of /dev/diskN.
func wholeNode(path string) (string, error) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", err
	}
	n, part, ok := image.DarwinDisk(real)
	if !ok || part {
		return "", &NotDeviceError{path}
	}
	return nodeName(n), nil
}

func nodeName(n int) string { return fmt.Sprintf("/dev/rdisk%d", n) }

func openHandle(node string) (*handle, error) {
	n, _, _ := image.DarwinDisk(node)
	fd, err := unix.Open(node, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	switch {
	case errors.Is(err, unix.EBUSY):
		return nil, &BusyError{Path: node, Mounts: mountsOf(n)}
	case err != nil:
		return nil, &os.PathError{Op: "open", Path: node, Err: err}
	}
	if _, err := unix.FcntlInt(uintptr(fd), unix.F_NOCACHE, 1); err != nil {
		return nil, errors.Join(&os.PathError{Op: "F_NOCACHE", Path: node, Err: err}, unix.Close(fd))
	}
	return &handle{fd, n}, nil
}

func (h *handle) close() error { return unix.Close(h.fd) }

// hold refuses a disk from which something is mounted: unlike Windows, macOS gives it
// up for the asking, and mounts nothing again before the disk is plugged in anew.
func (h *handle) hold(path string) (busy *BusyError, told []string) {
	if m := mountsOf(h.number); len(m) > 0 {
		return &BusyError{Path: path, Mounts: m}, nil
	}
	return nil, nil
}

func (h *handle) pread(buf []byte, off int64) (int, error) {
	for {
		n, err := unix.Pread(h.fd, buf, off)
		if !errors.Is(err, unix.EINTR) {
			return n, err
		}
	}
}

// ask asks the driver what the disk is. What it does not answer stays 0; the error is
// one that says that there is no disk. What only diskutil knows is empty if it does not
// answer.
func (h *handle) ask() (answers, error) {
	a, err := h.askDriver()
	if err == nil {
		d := askDiskutil(h.number)
		a.identity = d.identity()
	}
	return a, err
}

func (h *handle) askDriver() (a answers, err error) {
	size, err := unix.IoctlGetInt(h.fd, dkiocGetBlockSize)
	switch {
	case err == nil:
		a.sectorSize = size
	case faultOf(err) == image.Gone:
		return a, err
	}
	count, err := unix.IoctlGetInt(h.fd, dkiocGetBlockCount)
	switch {
	case err == nil && count < mostSectors:
		a.size = int64(count) * int64(size)
	case faultOf(err) == image.Gone:
		return a, err
	}
	if writable, err := unix.IoctlGetInt(h.fd, dkiocIsWritable); err == nil {
		a.readOnly = writable == 0
	}
	return a, nil
}

// still asks whether the disk is there.
func (h *handle) still() error {
	_, err := unix.IoctlGetInt(h.fd, dkiocGetBlockCount)
	return err
}

// isNotReady is false: there is no such error.
func isNotReady(error) bool { return false }

// isPastEnd tells the answers to a read behind the end of a disk, besides none.
func isPastEnd(err error) bool { return errors.Is(err, unix.EINVAL) }

// faultOf tells the kinds of errors apart: intro(2) of macOS.
func faultOf(err error) image.Fault {
	var e unix.Errno
	if !errors.As(err, &e) {
		return image.Other
	}
	switch e {
	case unix.EIO, unix.EDEVERR:
		return image.BadSector
	case unix.ETIMEDOUT:
		return image.TimedOut
	case unix.ENXIO, unix.ENODEV, unix.ENOTCONN, unix.EPWROFF:
		return image.Gone
	}
	return image.Other
}

// mountsOf returns the folders on which a disk, or a part of it, is mounted. A
// container of volumes that macOS shows as a disk of its own is such a disk here too.
func mountsOf(number int) []string {
	var out []string
	for _, m := range mounts() {
		if m.number == number {
			out = append(out, m.folder)
		}
	}
	return out
}

type mount struct {
	number int
	folder string
}

// mounts returns what is mounted from disks: getfsstat(2). Without an answer nothing is
// known.
func mounts() []mount {
	n, err := unix.Getfsstat(nil, unix.MNT_NOWAIT)
	if err != nil {
		return nil
	}
	all := make([]unix.Statfs_t, n+16) // some may come meanwhile
	if n, err = unix.Getfsstat(all, unix.MNT_NOWAIT); err != nil {
		return nil
	}
	var out []mount
	for _, st := range all[:min(n, len(all))] {
		if number, _, ok := image.DarwinDisk(unix.ByteSliceToString(st.Mntfromname[:])); ok {
			out = append(out, mount{number, unix.ByteSliceToString(st.Mntonname[:])})
		}
	}
	return out
}

// unmountLine is what to type to end the mounts of a disk.
func unmountLine(path string, _ []string) string {
	n, _, _ := image.DarwinDisk(path)
	return fmt.Sprintf("diskutil unmountDisk disk%d", n)
}

// carries tells whether a path lies on a volume of the disk.
func (h *handle) carries(path string) (bool, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(path, &st); err != nil {
		return false, &os.PathError{Op: "statfs", Path: path, Err: err}
	}
	n, _, ok := image.DarwinDisk(unix.ByteSliceToString(st.Mntfromname[:]))
	return ok && n == h.number, nil
}

// WholeOf returns the disk of which a name means a part.
func WholeOf(path string) string {
	n, part, ok := image.DarwinDisk(path)
	if !ok || !part {
		return ""
	}
	return nodeName(n)
}

// numbersOfDisks returns the numbers of all whole disks.
func numbersOfDisks() ([]int, error) {
	names, err := filepath.Glob("/dev/rdisk[0-9]*")
	if err != nil {
		return nil, err
	}
	var out []int
	for _, name := range names {
		if n, part, ok := image.DarwinDisk(name); ok && !part {
			out = append(out, n)
		}
	}
	return out, nil
}

// diskNumbers returns the nodes of all disks. The node of a disk without a medium is not
// there, and another medium has another node.
func diskNumbers() (map[string]string, error) {
	numbers, err := numbersOfDisks()
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, n := range numbers {
		out[nodeName(n)] = "here"
	}
	return out, nil
}

// Disks returns the whole disks of this machine: what diskutil tells of each, for to ask
// a driver root must open the disk, and who wants a list may be somebody else.
func Disks() ([]Disk, error) {
	numbers, err := numbersOfDisks()
	if err != nil {
		return nil, err
	}
	root := -1
	var st unix.Statfs_t
	if err := unix.Statfs("/", &st); err == nil {
		root, _, _ = image.DarwinDisk(unix.ByteSliceToString(st.Mntfromname[:]))
	}
	var out []Disk
	for _, n := range numbers {
		told := askDiskutil(n)
		d := Disk{Node: nodeName(n), Sectors: told.sectors(), SectorSize: told.sectorSize(), Identity: told.identity(),
			ReadOnly: told.readOnly(), Mounts: mountsOf(n)}
		if n == root {
			d.System = []string{"/"}
		}
		if st, err := os.Stat(strings.Replace(d.Node, "/rdisk", "/disk", 1)); err == nil { // made when the disk came
			d.Since = st.ModTime()
		}
		out = append(out, d)
	}
	return out, nil
}
