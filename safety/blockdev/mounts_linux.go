package blockdev

import (
	"os"
	"path/filepath"
	"strings"
)

// mount is one line of a mountinfo file: proc(5).
type mount struct {
	number  string // of the device, major:minor; 0:N is none
	folder  string
	kind    string // of the file system
	source  string // usually a device node
	options string
	root    string // where the names of this mount are looked up
}

func parseMounts(text, root string) []mount {
	var out []mount
	for line := range strings.Lines(text) {
		head, tail, ok := strings.Cut(strings.TrimSuffix(line, "\n"), " - ")
		f, g := strings.Fields(head), strings.Fields(tail)
		if !ok || len(f) < 5 || len(g) < 2 {
			continue
		}
		m := mount{number: f[2], folder: unescape(f[4]), kind: g[0], source: unescape(g[1]), root: root}
		if len(g) > 2 {
			m.options = unescape(g[2])
		}
		out = append(out, m)
	}
	return out
}

// mountOf returns the mount that a path lies on: of two on one folder the later one lies
// on top.
func mountOf(path string, mounts []mount) (on mount) {
	for _, m := range mounts {
		inside := m.folder == "/" || path == m.folder || strings.HasPrefix(path, m.folder+"/")
		if inside && len(m.folder) >= len(on.folder) {
			on = m
		}
	}
	return on
}

// device returns the number of the device that the mount names as its source.
func (m mount) device() string {
	if !strings.HasPrefix(m.source, "/") {
		return ""
	}
	if n := numberOf(filepath.Join(m.root, m.source)); n != "" {
		return n
	}
	return numberOf(m.source)
}

// allMounts returns the mounts of every mount namespace that can be seen.
func allMounts() ([]mount, error) {
	own, err := os.ReadFile("/proc/self/mountinfo")
	if err != nil {
		return nil, err
	}
	out := parseMounts(string(own), "/")
	seen := map[string]bool{}
	if ns, err := os.Readlink("/proc/self/ns/mnt"); err == nil {
		seen[ns] = true
	}
	for _, dir := range processes() {
		ns, err := os.Readlink(filepath.Join(dir, "ns/mnt"))
		if err != nil || seen[ns] {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, "mountinfo"))
		if err != nil { // ended since
			continue
		}
		seen[ns] = true
		out = append(out, parseMounts(string(text), filepath.Join(dir, "root"))...)
	}
	return out, nil
}

// processes returns the folders of all processes but this one.
func processes() []string {
	all, _ := filepath.Glob("/proc/[0-9]*") // the pattern is right
	own, _ := os.Readlink("/proc/self")
	var out []string
	for _, dir := range all {
		if filepath.Base(dir) != own {
			out = append(out, dir)
		}
	}
	return out
}

// mountUses returns the mounts of anything in w.
func mountUses(w *web, mounts []mount) []Use {
	var out []Use
	seen := map[Use]bool{}
	for _, m := range mounts {
		on := m.number
		if !w.touched[on] {
			on = m.device()
		}
		if on == "" || !w.touched[on] {
			continue
		}
		u := Use{How: Mounted, What: m.folder, Device: nodeOf(on)}
		if !seen[u] {
			seen[u] = true
			out = append(out, u)
		}
	}
	return out
}

// memberUses returns the file systems on several devices that have one in w.
// Their mounts name one device only, or none.
func memberUses(w *web) []Use {
	var out []Use
	for fsid, numbers := range btrfsMembers() {
		for _, n := range numbers {
			if w.touched[n] {
				out = append(out, Use{How: Member, What: "btrfs " + fsid, Device: nodeOf(n)})
			}
		}
	}
	return out
}

// btrfsMembers returns the devices of every mounted btrfs, by its identifier.
func btrfsMembers() map[string][]string {
	names, _ := filepath.Glob("/sys/fs/btrfs/*/devices/*/dev") // the pattern is right
	out := map[string][]string{}
	for _, name := range names {
		fsid := strings.Split(name, "/")[4]
		if n := attribute(filepath.Dir(name), "dev"); n != "" {
			out[fsid] = append(out[fsid], n)
		}
	}
	return out
}

// unmountLine is what to type to end the mounts of a device.
func unmountLine(_ string, mounts []string) string {
	lines := make([]string, len(mounts))
	for i, m := range mounts {
		lines[i] = "umount " + quote(m)
	}
	return strings.Join(lines, " && ")
}

// quote makes a folder safe to paste into a shell.
func quote(s string) string {
	plain := strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+:@") == ""
	if plain && s != "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
