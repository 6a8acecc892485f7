package blockdev

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// swapUses returns the swap areas that are in w.
func swapUses(w *web, areas []string) []Use {
	var out []Use
	for _, name := range areas {
		st, err := statIn(unix.AT_FDCWD, name)
		if err != nil {
			continue
		}
		if on := w.holds(st); on != "" {
			out = append(out, Use{How: Swapped, What: name, Device: on})
		}
	}
	return out
}

// holds returns the node or path under which w holds a file or device, or
// nothing. Of a file on a file system of w it returns that device.
func (w *web) holds(st *unix.Stat_t) string {
	if st.Mode&unix.S_IFMT == unix.S_IFBLK {
		if n := number(uint64(st.Rdev)); w.touched[n] {
			return nodeOf(n)
		}
		return ""
	}
	if name, ok := w.files[fileKey{uint64(st.Dev), uint64(st.Ino)}]; ok {
		return name
	}
	if n := number(uint64(st.Dev)); w.touched[n] {
		return nodeOf(n)
	}
	return ""
}

// statIn says what a name in an open folder stands for, symbolic links resolved.
func statIn(folder int, name string) (*unix.Stat_t, error) {
	for {
		var st unix.Stat_t
		if err := unix.Fstatat(folder, name, &st, 0); err != unix.EINTR { // a file system of a program may be interrupted
			return &st, err
		}
	}
}

func isBlock(fi fs.FileInfo) bool {
	return fi.Mode()&fs.ModeDevice != 0 && fi.Mode()&fs.ModeCharDevice == 0
}

// writerUses returns the programs that have something in w open for writing.
// blind is true if some programs could not be looked at.
func writerUses(w *web) (out []Use, blind bool) {
	for _, dir := range processes() {
		for _, table := range descriptorTables(dir) {
			on, hidden := w.writtenIn(table)
			blind = blind || hidden
			if on != "" {
				pid := filepath.Base(dir)
				out = append(out, Use{How: WriterOf, What: attribute(dir, "comm") + " (process " + pid + ")", Device: on})
				break
			}
		}
	}
	return out, blind
}

// descriptorTables returns the folders of the threads of a process that between
// them show every descriptor table of it. A thread may have a table of its own:
// unshare(2), CLONE_FILES.
func descriptorTables(process string) []string {
	out := []string{process}
	pid, err := strconv.Atoi(filepath.Base(process))
	tasks, e := os.ReadDir(filepath.Join(process, "task"))
	if err != nil || e != nil {
		return out
	}
	for _, t := range tasks {
		if tid, err := strconv.Atoi(t.Name()); err == nil && tid != pid && !shareTable(pid, tid) {
			out = append(out, filepath.Join(process, "task", t.Name()))
		}
	}
	return out
}

// kcmpFiles is KCMP_FILES of linux/kcmp.h: the descriptor tables are compared.
const kcmpFiles = 2

// shareTable tells whether two threads have one descriptor table. Where the
// kernel does not say, they are taken to have two.
func shareTable(a, b int) bool {
	same, _, e := unix.Syscall6(unix.SYS_KCMP, uintptr(a), uintptr(b), kcmpFiles, 0, 0, 0)
	return e == 0 && same == 0
}

// writtenIn returns what of w is open for writing in one descriptor table.
func (w *web) writtenIn(thread string) (on string, hidden bool) {
	list, err := os.Open(filepath.Join(thread, "fd"))
	if err != nil {
		return "", errors.Is(err, fs.ErrPermission)
	}
	defer list.Close()
	names, err := list.Readdirnames(-1)
	for _, fd := range names {
		if on := w.openIn(thread, list, fd); on != "" {
			return on, false
		}
	}
	return "", errors.Is(err, fs.ErrPermission)
}

// openIn returns what of w a descriptor of a thread is open for writing on. All descriptors
// of the machine are asked what they are, so it is asked in the open folder of them: the way
// to it through /proc takes the kernel longer than the answer.
func (w *web) openIn(process string, list *os.File, fd string) string {
	st, err := statIn(int(list.Fd()), fd)
	if err != nil {
		return ""
	}
	if kind := st.Mode & unix.S_IFMT; kind != unix.S_IFREG && kind != unix.S_IFBLK {
		return "" // a pipe, a socket, an event
	}
	on := w.holds(st)
	if on == "" {
		return ""
	}
	info, err := os.ReadFile(filepath.Join(process, "fdinfo", fd))
	if err != nil {
		return ""
	}
	for line := range strings.Lines(string(info)) {
		if text, ok := strings.CutPrefix(line, "flags:"); ok {
			flags, err := strconv.ParseUint(strings.TrimSpace(text), 8, 64)
			if err == nil && flags&syscall.O_ACCMODE != syscall.O_RDONLY {
				return on
			}
		}
	}
	return ""
}
