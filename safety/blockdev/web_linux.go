package blockdev

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// fileKey is a file, whatever its names are.
type fileKey struct{ dev, ino uint64 }

// web is everything that shares bytes with one device: what it lies on, down
// to files (below), its partitions, and what lies on any of these. Devices are
// named by their numbers, as in sysfs.
type web struct {
	loops   []Loop
	below   map[string]bool // the device itself and what it lies on
	touched map[string]bool // below, their partitions, and everything built on them
	files   map[fileKey]string
	uses    []Use // layers and loops found on the way up
}

func newWeb(numbers ...string) (*web, error) {
	loops, err := Loops()
	if err != nil {
		return nil, err
	}
	w := &web{loops: loops, below: map[string]bool{}, touched: map[string]bool{}, files: map[fileKey]string{}}
	for _, n := range numbers {
		w.down(n)
	}
	w.up()
	return w, w.unanswered()
}

// unanswered is the error of a loop device that may share bytes with this web,
// and does not say so.
func (w *web) unanswered() error {
	for _, l := range w.loops {
		if !l.silent {
			continue
		}
		meets := w.touched[l.number] || w.touched[number(l.dev)] // a FUSE file system may lie on a device
		for f := range w.files {
			meets = meets || f.dev == l.dev
		}
		if meets {
			return l.unanswered()
		}
	}
	return nil
}

// down adds a device and what it lies on. Of a partition its disk is followed
// down as well, but not the other partitions.
func (w *web) down(n string) {
	if n == "" || w.below[n] {
		return
	}
	w.below[n] = true
	for _, r := range relatives(n) {
		w.touched[r] = true
	}
	dir := sysDirOf(n)
	w.downFrom(dir, n)
	if disk := wholeDisk(dir); disk != dir {
		w.downFrom(disk, attribute(disk, "dev"))
	}
}

func (w *web) downFrom(dir, n string) {
	for _, s := range numbersIn(dir, "slaves") {
		w.down(s)
	}
	for _, l := range w.loops {
		switch {
		case l.number != n:
		case l.rdev != 0:
			w.down(number(l.rdev))
		case l.ino != 0:
			w.files[fileKey{l.dev, l.ino}] = l.File
		}
	}
}

// up adds layers and loop devices on what is touched, until nothing is new.
func (w *web) up() {
	for before := -1; before != len(w.touched); {
		before = len(w.touched)
		for n := range w.touched {
			for _, h := range numbersIn(sysDirOf(n), "holders") {
				w.lies(h, n, Layered)
			}
		}
		for _, l := range w.loops {
			on := number(l.rdev)
			_, file := w.files[fileKey{l.dev, l.ino}]
			if l.rdev != 0 && w.touched[on] {
				w.lies(l.number, on, Looped)
			} else if file && l.ino != 0 {
				w.lies(l.number, "", Looped)
			}
		}
	}
}

// lies notes that device n lies on another one.
func (w *web) lies(n, on string, how How) {
	if w.below[n] || w.noted(n) {
		return
	}
	w.uses = append(w.uses, Use{How: how, What: nodeOf(n), Device: nodeOf(on)})
	for _, r := range relatives(n) {
		w.touched[r] = true
	}
}

func (w *web) noted(n string) bool {
	node := nodeOf(n)
	for _, u := range w.uses {
		if u.What == node {
			return true
		}
	}
	return false
}

// disks returns the whole disks of everything below.
func (w *web) disks() map[string]bool {
	out := map[string]bool{}
	for n := range w.below {
		out[diskOf(n)] = true
	}
	return out
}

// meets tells whether two webs share a byte.
func (w *web) meets(v *web) bool {
	for n := range v.below {
		if w.touched[n] {
			return true
		}
	}
	for n := range w.below {
		if v.touched[n] {
			return true
		}
	}
	for k := range v.files {
		if _, ok := w.files[k]; ok {
			return true
		}
	}
	return false
}

// sysDirOf returns the folder of a device number in sysfs, or nothing.
func sysDirOf(n string) string {
	dir, err := filepath.EvalSymlinks("/sys/dev/block/" + n)
	if err != nil {
		return ""
	}
	return dir
}

// diskOf returns the number of the whole disk.
func diskOf(n string) string {
	if dir := sysDirOf(n); dir != "" {
		return attribute(wholeDisk(dir), "dev")
	}
	return n
}

// nodeOf returns the name that the kernel gives a device.
func nodeOf(n string) string {
	if dir := sysDirOf(n); dir != "" && n != "" {
		return "/dev/" + strings.ReplaceAll(filepath.Base(dir), "!", "/")
	}
	return n
}

// numbersIn returns the device numbers of the devices linked in a folder.
func numbersIn(dir, folder string) []string {
	names, _ := filepath.Glob(filepath.Join(dir, folder, "*", "dev")) // the pattern is right
	var out []string
	for _, n := range names {
		if d := attribute(filepath.Dir(n), "dev"); d != "" {
			out = append(out, d)
		}
	}
	return out
}

// relatives returns the numbers of devices that share sectors with a disk or
// partition by the partition table: the disk with all its partitions, or the
// partition with its disk and the partitions that overlap it.
func relatives(n string) []string {
	dir := sysDirOf(n)
	if dir == "" {
		return []string{n}
	}
	disk := wholeDisk(dir)
	out := []string{n}
	if disk != dir {
		out = append(out, attribute(disk, "dev"))
	}
	parts, _ := filepath.Glob(filepath.Join(disk, "*", "partition")) // the pattern is right
	start, end := extentOf(dir)
	for _, p := range parts {
		part := filepath.Dir(p)
		s, e := extentOf(part)
		if disk == dir || s < end && start < e {
			out = append(out, attribute(part, "dev"))
		}
	}
	return out
}

// extentOf returns where a partition lies, in units of 512 bytes.
func extentOf(dir string) (start, end int64) {
	start = integer(attribute(dir, "start"))
	return start, start + integer(attribute(dir, "size"))
}

// numberOf returns the device number of a block device, or nothing.
func numberOf(path string) string {
	st, err := os.Stat(path)
	if err != nil || st.Mode()&os.ModeDevice == 0 || st.Mode()&os.ModeCharDevice != 0 {
		return ""
	}
	return number(uint64(st.Sys().(*syscall.Stat_t).Rdev))
}
