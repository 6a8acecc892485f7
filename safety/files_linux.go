package safety

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// room returns the bytes that this user may still store on the file system of
// the folder.
func (osFiles) room(folder string) (free int64, known bool) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(folder, &st); err != nil {
		return 0, false
	}
	return int64(st.Bavail) * int64(st.Frsize), true // statvfs(3): blocks are counted in fragments
}

// names returns how many hard links a file has.
func names(fi fs.FileInfo) int {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return int(st.Nlink)
	}
	return 1
}

// storedBytes returns what a file takes up: stat(2) counts units of 512 bytes,
// whatever the sector size of the disk.
func storedBytes(fi fs.FileInfo) int64 {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return st.Blocks * 512
	}
	return fi.Size()
}

// lockFile takes an advisory lock, held until the file is closed.
func lockFile(f *os.File) error {
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
}

// inUse tells whether another process holds the lock of lockFile.
func inUse(name string) bool {
	f, err := os.OpenFile(name, os.O_RDONLY|syscall.O_NOFOLLOW|syscall.O_NONBLOCK, 0)
	if err != nil {
		return false
	}
	defer f.Close()
	return errors.Is(lockFile(f), syscall.EWOULDBLOCK)
}
