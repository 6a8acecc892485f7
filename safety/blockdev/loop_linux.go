package blockdev

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// patience is how long a loop device has to say what lies below it. One whose
// file lies on a file system that hangs never says it. By hand, no source.
const patience = 5 * time.Second

// Loop is a loop device in use.
type Loop struct {
	Node string // its device node, /dev/loop0
	File string // the path of the file below it, as the kernel shows it

	number   string // the device number of the loop, as in sysfs
	dev, ino uint64 // of that file; 0 if not known
	rdev     uint64 // the device it is, if it is one
	silent   bool   // ino and rdev are not known: the file system of the file does not answer
}

// Loops returns the loop devices that are attached to a file or a device.
//
// The kernel is asked with LOOP_GET_STATUS64 (loop(4)), which names the file
// by device and inode, so that hard links and renamed files are recognised.
// Where the node may not be opened, the path in sysfs has to do.
//
// Of one that does not answer only the file system may be known. It concerns
// nobody who works on others; who works on that one gets an error from Uses.
func Loops() ([]Loop, error) {
	names, err := filepath.Glob("/sys/block/loop*/loop/backing_file")
	if err != nil {
		return nil, err
	}
	var all []Loop
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil { // detached since the listing
			continue
		}
		all = append(all, Loop{
			Node:   filepath.Join("/dev", strings.Split(name, "/")[3]),
			File:   strings.TrimSuffix(string(text), "\n"),
			number: attribute(filepath.Dir(filepath.Dir(name)), "dev"),
		})
	}
	mounts, err := os.ReadFile("/proc/self/mountinfo")
	if err != nil {
		return nil, err
	}
	return loopsAsked(all, askLoop, parseMounts(string(mounts), "/"), patience)
}

// didNotAnswer are the loop devices, as node and file, that were asked in vain
// by this run: each of them costs patience once.
var didNotAnswer sync.Map

// loopsAsked asks all loop devices at the same time.
func loopsAsked(all []Loop, ask func(Loop) (dev, ino, rdev uint64), mounts []mount,
	patience time.Duration) ([]Loop, error) {
	type answer struct {
		i              int
		dev, ino, rdev uint64
	}
	answers := make(chan answer, len(all))
	asked := 0
	for i, l := range all {
		all[i].silent = true
		if _, in := didNotAnswer.Load([2]string{l.Node, l.File}); in {
			continue
		}
		asked++
		go func() {
			dev, ino, rdev := ask(l)
			answers <- answer{i, dev, ino, rdev}
		}()
	}
	for late := time.After(patience); asked > 0; asked-- {
		select {
		case a := <-answers:
			l := &all[a.i]
			l.dev, l.ino, l.rdev, l.silent = a.dev, a.ino, a.rdev, false
			continue
		case <-late:
		}
		break
	}
	for i := range all {
		l := &all[i]
		if !l.silent {
			continue
		}
		didNotAnswer.Store([2]string{l.Node, l.File}, true)
		if l.dev = farFileSystem(l.File, mounts); l.dev == 0 {
			return nil, l.unanswered()
		}
	}
	return all, nil
}

// farFileSystem returns the device number of the file system of a path, without
// asking that file system: 0 if it is not one of those that some program or
// another machine answers for. The others always answer; what hangs there is
// something else, and then the path proves nothing.
func farFileSystem(path string, mounts []mount) uint64 {
	on := mountOf(path, mounts)
	kind, _, _ := strings.Cut(on.kind, ".")
	if !slices.Contains([]string{"fuse", "nfs", "nfs4", "cifs", "smb3", "9p", "ceph"}, kind) {
		return 0
	}
	var major, minor uint32
	if n, err := fmt.Sscanf(on.number, "%d:%d", &major, &minor); n != 2 || err != nil {
		return 0
	}
	return unix.Mkdev(major, minor)
}

func (l Loop) unanswered() error {
	return fmt.Errorf(
		"what lies below %s cannot be found out: the file system of its file %s does not answer. Repair that, "+
			"or detach it: losetup -d %s",
		l.Node, l.File, l.Node)
}

// askLoop returns device and inode of the file below l, and its device number
// if it is a device itself: zeros if neither the kernel nor the path tells.
func askLoop(l Loop) (dev, ino, rdev uint64) {
	if fd, err := unix.Open(l.Node, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0); err == nil {
		defer unix.Close(fd)
		if info, err := unix.IoctlLoopGetStatus64(fd); err == nil {
			return info.Device, info.Inode, info.Rdevice
		}
	}
	if fi, err := os.Stat(l.File); err == nil {
		if st, ok := fi.Sys().(*syscall.Stat_t); ok {
			return uint64(st.Dev), uint64(st.Ino), uint64(st.Rdev)
		}
	}
	return 0, 0, 0
}

// Uses tells whether the file described by fi, from os.Stat, is the one below
// the loop device, under whatever name. An error says that this cannot be known.
func (l Loop) Uses(fi fs.FileInfo) (bool, error) {
	dev, ino := fileID(fi)
	if l.silent && dev == l.dev {
		return false, l.unanswered()
	}
	return ino != 0 && dev == l.dev && ino == l.ino, nil
}

func fileID(fi fs.FileInfo) (dev, ino uint64) {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return uint64(st.Dev), uint64(st.Ino)
	}
	return 0, 0
}
