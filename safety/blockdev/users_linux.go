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
		st, err := os.Stat(name)
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
func (w *web) holds(fi fs.FileInfo) string {
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	if isBlock(fi) {
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
	list, err := os.ReadDir(filepath.Join(thread, "fd"))
	for _, e := range list {
		if on := w.openIn(thread, e.Name()); on != "" {
			return on, false
		}
	}
	return "", errors.Is(err, fs.ErrPermission)
}

// openIn returns what of w a descriptor of a thread is open for writing on.
func (w *web) openIn(process, fd string) string {
	link, err := os.Readlink(filepath.Join(process, "fd", fd))
	if err != nil || !strings.HasPrefix(link, "/") { // a pipe, a socket, an event
		return ""
	}
	st, err := os.Stat(filepath.Join(process, "fd", fd))
	if err != nil || !st.Mode().IsRegular() && !isBlock(st) {
		return ""
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
