//go:build unix

package safety

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/newfile"
)

// refused runs a write that must be refused with the code, and proves that it
// changed nothing in the folder.
func refused(t *testing.T, w *imageWriter, code disk.Code) *Refusal {
	t.Helper()
	dir := newfile.FolderOf(w.path)
	before := listing(t, dir)
	_, err := w.run(context.Background())
	var r *Refusal
	if !errors.As(err, &r) {
		t.Fatalf("not refused: %v", err)
	}
	if r.Code != code || r.Why == "" || r.Do == "" || !strings.HasPrefix(err.Error(), "refusing to ") {
		t.Fatalf("refused as %s, want %s: %v", r.Code, code, err)
	}
	if after := listing(t, dir); after != before {
		t.Fatalf("the folder was changed from\n%s to\n%s", before, after)
	}
	return r
}

// listing describes every file of a folder: name, kind, inode times and bytes.
func listing(t *testing.T, dir string) string {
	t.Helper()
	var out strings.Builder
	list, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		return "no folder"
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		fi, err := os.Lstat(dir + "/" + e.Name())
		if err != nil {
			t.Fatal(err)
		}
		out.WriteString(e.Name() + " " + fi.Mode().String() + " " + fi.ModTime().String())
		if fi.Mode().IsRegular() {
			b, err := os.ReadFile(dir + "/" + e.Name())
			if err != nil {
				t.Fatal(err)
			}
			out.WriteString(" " + sum(b))
		}
		out.WriteString("\n")
	}
	return out.String()
}

func writerTo(path string, opt Options) *imageWriter {
	m := wholeCopy(patterned(1, 4096))
	return newImageWriter(path, m, m.pieces, opt)
}

func stat(t *testing.T, path string) os.FileInfo {
	t.Helper()
	fi, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	return fi
}

func TestTargetRefusals(t *testing.T) {
	for _, c := range []struct {
		name    string
		code    disk.Code
		replace bool
		make    func(t *testing.T, path string)
	}{
		{"exists", disk.TargetExists, false, func(t *testing.T, path string) { put(t, path, oldImage) }},
		{"folder", disk.TargetWrongKind, true, func(t *testing.T, path string) { do(t, os.Mkdir(path, 0o755)) }},
		{"pipe", disk.TargetWrongKind, true, func(t *testing.T, path string) { do(t, syscall.Mkfifo(path, 0o600)) }},
		{"link", disk.TargetWrongKind, true, func(t *testing.T, path string) {
			put(t, path+".real", oldImage)
			do(t, os.Symlink(path+".real", path))
		}},
		{"broken link", disk.TargetWrongKind, true, func(t *testing.T, path string) { do(t, os.Symlink("nowhere", path)) }},
		{"socket", disk.TargetWrongKind, true, func(t *testing.T, path string) {
			l, err := net.Listen("unix", path)
			do(t, err)
			t.Cleanup(func() { l.Close() })
		}},
		{"hard link", disk.TargetManyNames, true, func(t *testing.T, path string) {
			put(t, path, oldImage)
			do(t, os.Link(path, path+".other"))
		}},
		{"left by a broken run", disk.UnfinishedExists, false, func(t *testing.T, path string) { put(t, path+unfinished, halfImage) }},
		{"left by no run", disk.TargetOtherKind, true, func(t *testing.T, path string) { put(t, path+unfinished, []byte("a diary")) }},
		{"folder under the unfinished name", disk.TargetWrongKind, true, func(t *testing.T, path string) { do(t, os.Mkdir(path+unfinished, 0o755)) }},
		{"another run", disk.UnfinishedInUse, true, func(t *testing.T, path string) {
			f, err := newfile.OS{}.Create(path+unfinished, 0o600)
			do(t, err)
			t.Cleanup(func() { f.Close() })
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "c.img")
			c.make(t, path)
			refused(t, writerTo(path, Options{Replace: c.replace}), c.code)
		})
	}
}

func TestTargetFolderMustExist(t *testing.T) {
	dir := t.TempDir()
	refused(t, writerTo(filepath.Join(dir, "no", "card.img"), Options{}), disk.NoFolder)
	put(t, filepath.Join(dir, "file"), nil)
	_, err := writerTo(filepath.Join(dir, "file", "card.img"), Options{}).run(context.Background())
	var r *Refusal
	if !errors.As(err, &r) && !errors.Is(err, syscall.ENOTDIR) {
		t.Errorf("below a file: %v", err)
	}
}

func TestTargetIsSource(t *testing.T) {
	dir := t.TempDir()
	src := filepath.Join(dir, "source.img")
	put(t, src, []byte("the only copy"))
	do(t, os.Link(src, filepath.Join(dir, "hard.img")))
	do(t, os.Symlink("source.img", filepath.Join(dir, "soft.img")))
	elsewhere := t.TempDir()
	do(t, os.Symlink(dir, filepath.Join(elsewhere, "folder")))
	do(t, os.Link(src, filepath.Join(dir, "card.img"+unfinished)))
	for _, path := range []string{
		src, dir + "/hard.img", dir + "/soft.img", dir + "/card.img",
		elsewhere + "/folder/source.img",
		elsewhere + "/folder/../" + filepath.Base(dir) + "/hard.img", // not elsewhere/...
	} {
		opt := Options{Replace: true, Avoid: []os.FileInfo{stat(t, "/"), stat(t, src)}}
		refused(t, writerTo(path, opt), disk.TargetIsSource)
	}
	holds(t, src, []byte("the only copy"))
}

func TestTargetUnderDev(t *testing.T) {
	dir := t.TempDir()
	do(t, os.Symlink("/dev", filepath.Join(dir, "d")))
	for path, code := range map[string]disk.Code{
		"/dev/bootgraft-test-card":                     disk.TargetUnderDev,
		filepath.Join(dir, "d", "bootgraft-test-card"): disk.TargetUnderDev,
		"/dev/null": disk.TargetWrongKind,
	} {
		_, err := writerTo(path, Options{Replace: true}).run(context.Background())
		var r *Refusal
		if !errors.As(err, &r) || r.Code != code {
			t.Errorf("%s: got %v, want %s", path, err, code)
		}
	}
	for _, name := range []string{"/dev/bootgraft-test-card", "/dev/bootgraft-test-card" + unfinished} {
		if _, err := os.Lstat(name); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// swapon(8) lists swap files in /proc/swaps, with blanks as \040 (proc(5)).
func TestTargetInSwap(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "my card.img")
	put(t, path, []byte("pages"))
	list := filepath.Join(t.TempDir(), "swaps")
	put(t, list, []byte("Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"+
		"/dev/zram9                              partition\t1048572\t\t0\t\t100\n"+
		strings.ReplaceAll(path, " ", `\040`)+" file\t\t1020\t\t0\t\t-2\n"))
	w := writerTo(path, Options{Replace: true})
	w.swaps = list
	refused(t, w, disk.TargetInSwap)
}

// A real loop device, found through a hard link and as an unfinished file.
func TestTargetInLoop(t *testing.T) {
	dir := t.TempDir()
	back := filepath.Join(dir, "back.img")
	put(t, back, patterned(3, 2048))
	node := need.Loop(t, back)
	do(t, os.Link(back, filepath.Join(dir, "hard.img")))
	do(t, os.Link(back, filepath.Join(dir, "card.img"+unfinished)))
	for _, name := range []string{"back.img", "hard.img", "card.img"} {
		for _, replace := range []bool{false, true} {
			r := refused(t, writerTo(filepath.Join(dir, name), Options{Replace: replace}), disk.TargetInLoop)
			if !strings.Contains(r.Why, node) || !strings.Contains(r.Do, "losetup -d "+node) {
				t.Errorf("%s: %v", name, r)
			}
		}
	}
	put(t, filepath.Join(dir, "free.img"), oldImage)
	if _, err := writerTo(filepath.Join(dir, "free.img"), Options{Replace: true}).run(context.Background()); err != nil {
		t.Errorf("a file that no loop device uses: %v", err)
	}
}
