//go:build unix

package newfile

import (
	"os"
	"syscall"
)

// noFollow refuses a link as the last part of a name, and does not wait for
// somebody at the other end of a pipe.
const noFollow = syscall.O_NOFOLLOW | syscall.O_NONBLOCK

const foldersSync = true

// holdLock keeps the lock of f when f is closed: a copy of the descriptor
// belongs to the same open file, to which flock(2) gives the lock.
func holdLock(f *os.File) (release func()) {
	syscall.ForkLock.RLock()
	fd, err := syscall.Dup(int(f.Fd()))
	if err == nil {
		syscall.CloseOnExec(fd)
	}
	syscall.ForkLock.RUnlock()
	if err != nil { // then the lock ends a moment too early, and the draft still knows its file
		return func() {}
	}
	return func() { _ = syscall.Close(fd) }
}

// Names returns how many hard links a file has.
func Names(fi os.FileInfo) int {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return int(st.Nlink)
	}
	return 1
}

// StoredBytes returns what a file takes up: stat(2) counts units of 512 bytes,
// whatever the sector size of the disk.
func StoredBytes(fi os.FileInfo) int64 {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return st.Blocks * 512
	}
	return fi.Size()
}
