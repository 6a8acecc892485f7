//go:build linux

package guest

import (
	"bytes"
	"compress/gzip"
	"context"
	"debug/elf"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bootgraft/image/imagetest/need"
)

// Machine is what a virtual machine has.
type Machine struct {
	Kernel  string            // folder of an unpacked kernel package
	Modules []string          // names; those that they need come with them
	Files   map[string]string // put into the machine: path in it, path here
	Disks   int               // how many disks the devices will show
	Devices []string          // arguments of QEMU
}

// patience is how long a machine may take: by hand, no source; a start takes 10
// seconds, and ten times as long on a busy machine. The help of the processor (KVM) is
// not asked for: where it was seen to be there and not to work, the machine hung.
const patience = 4 * time.Minute

// Run starts the machine, runs the commands in it, and returns what came of each.
func (m Machine) Run(t testing.TB, lines ...[]string) []Result {
	t.Helper()
	qemu := need.Tool(t, "qemu-system-x86_64")
	dir := t.TempDir()
	vmlinuz, err := filepath.Glob(filepath.Join(m.Kernel, "boot/vmlinuz-*"))
	if err != nil || len(vmlinuz) != 1 {
		t.Fatalf("%s holds no kernel: %v", m.Kernel, err)
	}
	var a archive
	job := Job{Disks: m.Disks, Lines: lines}
	if job.Modules, err = m.modules(&a); err != nil {
		t.Fatal(err)
	}
	for to, from := range m.Files {
		if err := a.file(to, from); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.file("/init", buildInit(t, dir)); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(job)
	if err != nil {
		t.Fatal(err)
	}
	a.add(JobPath, text)
	initrd, serial, console := filepath.Join(dir, "initrd"), filepath.Join(dir, "answers"), filepath.Join(dir, "console")
	if err := a.write(initrd); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), patience)
	defer stop()
	args := append([]string{"-machine", "pc", "-accel", "tcg", "-cpu", "max", "-m", "384", "-nodefaults", "-display",
		"none",
		"-no-reboot", "-serial", "file:" + console, "-serial", "file:" + serial, "-kernel", vmlinuz[0], "-initrd", initrd,
		"-append", "console=ttyS0 quiet loglevel=1 panic=-1 usb-storage.delay_use=0"}, m.Devices...)
	out, err := exec.CommandContext(ctx, qemu, args...).CombinedOutput()
	results, perr := readResults(serial)
	if err != nil || perr != nil || len(results) != len(lines) {
		said, _ := os.ReadFile(console)
		t.Fatalf("%d of %d commands ended: %v, %v\n%s\n%s", len(results), len(lines), err, perr, out, said)
	}
	return results
}

func readResults(path string) (all []Result, err error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		var r Result
		if err := json.Unmarshal([]byte(strings.TrimSpace(line)), &r); err != nil {
			return all, err
		}
		all = append(all, r)
	}
	return all, nil
}

// buildInit builds the first process, static.
func buildInit(t testing.TB, dir string) string {
	t.Helper()
	out := filepath.Join(dir, "init")
	Build(t, out, "bootgraft/image/imagetest/guest/init")
	return out
}

// Build builds a command of this module for the machine.
func Build(t testing.TB, out, pkg string) {
	t.Helper()
	c := exec.Command(need.Tool(t, "go"), "build", "-o", out, pkg)
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=amd64", "GOFLAGS=")
	if text, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
}

// Program names a program of this system and the libraries that it needs, as Files
// wants them.
func Program(t testing.TB, name string) map[string]string {
	t.Helper()
	path := need.Tool(t, name)
	out := map[string]string{"/bin/" + name: path}
	text, err := exec.Command(need.Tool(t, "ldd"), path).Output()
	if err != nil {
		return out // static
	}
	for _, word := range strings.Fields(string(text)) {
		if strings.HasPrefix(word, "/") {
			out[word] = word
		}
	}
	return out
}

// modules puts modules into the archive, with those that they need before them:
// what a module needs stands in its section .modinfo.
func (m Machine) modules(a *archive) (order []string, err error) {
	files := map[string]string{}
	err = filepath.WalkDir(filepath.Join(m.Kernel, "lib/modules"), func(path string, _ fs.DirEntry, err error) error {
		if name, ok := strings.CutSuffix(filepath.Base(path), ".ko"); ok {
			files[strings.ReplaceAll(name, "-", "_")] = path
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	done := map[string]bool{}
	var add func(name string) error
	add = func(name string) error {
		if name == "" || done[name] {
			return nil
		}
		done[name] = true
		path, ok := files[name]
		if !ok {
			return nil // built in
		}
		needs, err := needsOf(path)
		if err != nil {
			return err
		}
		for _, n := range needs {
			if err := add(n); err != nil {
				return err
			}
		}
		in := "/modules/" + name + ".ko"
		order = append(order, in)
		return a.file(in, path)
	}
	for _, name := range m.Modules {
		if err := add(name); err != nil {
			return nil, err
		}
	}
	return order, nil
}

func needsOf(path string) ([]string, error) {
	f, err := elf.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s := f.Section(".modinfo")
	if s == nil {
		return nil, fmt.Errorf("%s has no .modinfo", path)
	}
	b, err := s.Data()
	if err != nil {
		return nil, err
	}
	for _, line := range strings.Split(string(b), "\x00") {
		if list, ok := strings.CutPrefix(line, "depends="); ok {
			return strings.Split(strings.ReplaceAll(list, "-", "_"), ","), nil
		}
	}
	return nil, nil
}

// archive is a cpio archive in the form newc (Linux, Documentation/driver-api/early-
// userspace/buffer-format.rst).
type archive struct {
	b     bytes.Buffer
	inode int
	made  map[string]bool
}

func (a *archive) entry(name string, mode int, content []byte) {
	a.inode++
	name = strings.TrimPrefix(name, "/")
	fmt.Fprintf(&a.b, "070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%s\x00",
		a.inode, mode, 0, 0, 1, 0, len(content), 0, 0, 0, 0, len(name)+1, 0, name)
	a.pad()
	a.b.Write(content)
	a.pad()
}

func (a *archive) pad() {
	for a.b.Len()%4 != 0 {
		a.b.WriteByte(0)
	}
}

// add puts a file into the archive, and the folders above it.
func (a *archive) add(name string, content []byte) {
	if a.made == nil {
		a.made = map[string]bool{"/": true}
	}
	var folders func(dir string)
	folders = func(dir string) {
		if !a.made[dir] {
			a.made[dir] = true
			folders(filepath.Dir(dir))
			a.entry(dir, 0o40755, nil)
		}
	}
	folders(filepath.Dir(name))
	a.entry(name, 0o100755, content)
}

func (a *archive) file(name, from string) error {
	b, err := os.ReadFile(from)
	if err == nil {
		a.add(name, b)
	}
	return err
}

func (a *archive) write(path string) error {
	a.entry("TRAILER!!!", 0, nil)
	var z bytes.Buffer
	w, err := gzip.NewWriterLevel(&z, gzip.BestSpeed)
	if err != nil {
		return err
	}
	if _, err := w.Write(a.b.Bytes()); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	return os.WriteFile(path, z.Bytes(), 0o600)
}
