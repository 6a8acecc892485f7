package safety

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// A small file system of a kind on a real loop device: the kernel's own FAT has
// no hard links and no owners, and a full ext4 is full.
func TestRealFileSystems(t *testing.T) {
	for kind, format := range map[string][]string{"vfat": {"mkfs.vfat", "-F", "16"}, "ext4": {"mkfs.ext4", "-q", "-F"}} {
		t.Run(kind, func(t *testing.T) {
			b := newBench(t)
			if known, err := os.ReadFile("/proc/filesystems"); err != nil || !bytes.Contains(known, []byte("\t"+kind+"\n")) {
				t.Skip("skipped: this kernel has no " + kind) // the sweep plays one without hard links
			}
			node := b.loop(b.file("disk." + kind))
			b.tool(format[0], append(format[1:], node)...)
			dir := b.mount(node)
			path := filepath.Join(dir, "card.plan")
			write := func(text []byte, replace bool) error {
				return Output{Path: path, Kind: PlanFile, Replace: replace}.Write(func(w io.Writer) error {
					_, err := w.Write(text)
					return err
				})
			}
			plan := []byte("{\n\"schema\": 1,\n\"target\": {\"sectors\":1")
			do(t, write(plan, false))
			holds(t, path, plan)
			var r *Refusal
			if err := write(plan, false); !errors.As(err, &r) || r.Code != disk.TargetExists {
				t.Errorf("a name that is taken: %v", err)
			}
			do(t, write(append(plan, '2'), true))
			if err := write(make([]byte, 64<<20), true); !errors.Is(err, syscall.ENOSPC) {
				t.Errorf("a full disk: %v", err)
			}
			holds(t, path, append(plan, '2'))
			if _, err := os.Lstat(path + Unfinished); !os.IsNotExist(err) {
				t.Errorf("the unfinished file: %v", err)
			}
		})
	}
}

// A folder that cannot be written is left as it is, and the error says so.
func TestReadOnlyFolder(t *testing.T) {
	need.Root(t)
	b := newBench(t)
	dir := b.mount("none", "-t", "tmpfs")
	b.tool("mount", "-o", "remount,ro", dir)
	err := Output{Path: filepath.Join(dir, "p"), Kind: PlanFile}.Write(func(io.Writer) error { return nil })
	if !errors.Is(err, syscall.EROFS) {
		t.Errorf("got %v", err)
	}
}

// Two runs that write one file: the second is refused, with or without
// --replace, and the first is not disturbed.
func TestTwoWritersOfOneFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p")
	first := Output{Path: path, Kind: PlanFile}
	err := first.Write(func(w io.Writer) error {
		for _, replace := range []bool{false, true} {
			var r *Refusal
			err := Output{Path: path, Kind: PlanFile, Replace: replace}.Write(func(io.Writer) error { return nil })
			if !errors.As(err, &r) || r.Code != disk.UnfinishedInUse {
				t.Errorf("the second run: %v", err)
			}
		}
		_, err := io.Copy(w, bytes.NewReader([]byte("first")))
		return err
	})
	do(t, err)
	holds(t, path, []byte("first"))
	only(t, filepath.Dir(path), "p")
}
