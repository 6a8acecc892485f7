package blockdev

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// patience is how long a loop device has to say what lies below it. One whose
// file lies on a file system that hangs never says it.
const patience = 5 * time.Second

// Loop is a loop device in use.
type Loop struct {
	Node string // its device node, /dev/loop0
	File string // the path of the file below it, as the kernel shows it

	number   string // the device number of the loop, as in sysfs
	dev, ino uint64 // of that file; 0 if not known
	rdev     uint64 // the device it is, if it is one
}

// Loops returns the loop devices that are attached to a file or a device.
//
// The kernel is asked with LOOP_GET_STATUS64 (loop(4)), which names the file
// by device and inode, so that hard links and renamed files are recognised.
// Where the node may not be opened, the path in sysfs has to do.
func Loops() ([]Loop, error) {
	names, err := filepath.Glob("/sys/block/loop*/loop/backing_file")
	if err != nil {
		return nil, err
	}
	var out []Loop
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil { // detached since the listing
			continue
		}
		l := Loop{
			Node: filepath.Join("/dev", strings.Split(name, "/")[3]),
			File: strings.TrimSuffix(string(text), "\n"),
		}
		l.number = attribute(filepath.Dir(filepath.Dir(name)), "dev")
		answer := make(chan Loop, 1)
		go func() {
			l.dev, l.ino, l.rdev = askLoop(l)
			answer <- l
		}()
		select {
		case l := <-answer:
			out = append(out, l)
		case <-time.After(patience):
			return nil, fmt.Errorf("what lies below %s cannot be found out: the file system of its file %s does not answer. Repair that, or detach it: losetup -d %s", l.Node, l.File, l.Node)
		}
	}
	return out, nil
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
// the loop device, under whatever name.
func (l Loop) Uses(fi fs.FileInfo) bool {
	dev, ino := fileID(fi)
	return ino != 0 && dev == l.dev && ino == l.ino
}

func fileID(fi fs.FileInfo) (dev, ino uint64) {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return uint64(st.Dev), uint64(st.Ino)
	}
	return 0, 0
}
