package blockdev

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
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
		list, err := os.ReadDir(filepath.Join(dir, "fd"))
		if errors.Is(err, fs.ErrPermission) {
			blind = true
		}
		for _, e := range list {
			if on := w.openIn(dir, e.Name()); on != "" {
				pid := filepath.Base(dir)
				out = append(out, Use{How: WriterOf, What: attribute(dir, "comm") + " (process " + pid + ")", Device: on})
				break
			}
		}
	}
	return out, blind
}

// openIn returns what of w a descriptor of a process is open for writing on.
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
