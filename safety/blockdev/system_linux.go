package blockdev

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
)

// systemPaths are what a running system cannot do without, and this program.
var systemPaths = []string{"/", "/boot", "/boot/efi", "/usr", "/var", "/home", "/proc/self/exe"}

// ground finds the disks that files stand on, through every layer.
type ground struct {
	loops  []Loop
	mounts []mount // of this namespace
	seen   map[string]bool
	disks  map[string]bool
}

func newGround(loops []Loop, mounts []mount) *ground {
	return &ground{loops: loops, mounts: mounts}
}

// of returns the numbers of all disks that a file or device stands on.
func (g *ground) of(path string) map[string]bool {
	g.seen, g.disks = map[string]bool{}, map[string]bool{}
	g.path(path)
	return g.disks
}

func (g *ground) path(path string) {
	fi, err := os.Stat(path)
	if err != nil || g.seen[path] {
		return
	}
	g.seen[path] = true
	st, ok := fi.Sys().(*syscall.Stat_t)
	switch {
	case !ok:
	case isBlock(fi):
		g.device(number(uint64(st.Rdev)))
	case sysDirOf(number(uint64(st.Dev))) != "":
		g.device(number(uint64(st.Dev)))
	default:
		g.anonymous(path)
	}
}

// anonymous follows a file system that has no device number of its own: on
// several devices, or laid over folders of others.
func (g *ground) anonymous(path string) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return
	}
	on := mountOf(real, g.mounts)
	if n := on.device(); n != "" {
		g.device(n)
	}
	if on.kind != "overlay" {
		return
	}
	for o := range strings.SplitSeq(on.options, ",") {
		key, dirs, _ := strings.Cut(o, "=")
		if key == "lowerdir" || key == "upperdir" {
			for dir := range strings.SplitSeq(dirs, ":") {
				if strings.HasPrefix(dir, "/") {
					g.path(dir)
				}
			}
		}
	}
}

// device follows a device down to whole disks.
func (g *ground) device(n string) {
	if n == "" || g.seen[n] {
		return
	}
	g.seen[n] = true
	disk := diskOf(n)
	g.disks[disk] = true
	for _, dir := range []string{sysDirOf(n), sysDirOf(disk)} {
		for _, s := range numbersIn(dir, "slaves") {
			g.device(s)
		}
	}
	for _, numbers := range btrfsMembers() {
		if slices.Contains(numbers, n) {
			for _, other := range numbers {
				g.device(other)
			}
		}
	}
	for _, l := range g.loops {
		switch {
		case l.number != disk:
		case l.rdev != 0:
			g.device(number(l.rdev))
		default:
			if d := number(l.dev); sysDirOf(d) != "" {
				g.device(d)
			} else {
				g.path(l.File)
			}
		}
	}
}

// systemOn returns what of the running system stands on one of the disks.
func systemOn(g *ground, areas []string, disks map[string]bool) []string {
	var out []string
	for _, p := range slices.Concat(systemPaths, areas) {
		for n := range g.of(p) {
			if disks[n] {
				out = append(out, p)
				break
			}
		}
	}
	return out
}
