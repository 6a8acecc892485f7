//go:build unix

package main

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"bootgraft/cmd/bootgraft/demo"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/image/imagetest/need"
)

func ownerOf(t *testing.T, path string) uint32 {
	t.Helper()
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	return st.Sys().(*syscall.Stat_t).Uid
}

// What the umask takes away stays away.
func TestUmask(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0o077))
	path := t.TempDir() + "/x"
	if _, err := input.CaptureTarget(path).Storage.Create(path); err != nil {
		t.Fatal(err)
	}
	out, err := input.NewFolder(path + ".d")
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	if err := out.Finish("y", "words"); err != nil {
		t.Fatal(err)
	}
	if err := demo.MakeDrive(path + ".img"); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]os.FileMode{"": 0o600, ".d": 0o700, ".d/y": 0o600, ".img": 0o600} {
		if st, err := os.Stat(path + name); err != nil || st.Mode().Perm() != want {
			t.Errorf("%q: %v, %v, want %o", name, st.Mode(), err, want)
		}
	}
}

// A folder that was there stays its owner's; sudo gives away what was made.
func TestFoldersUnderSudo(t *testing.T) {
	need.Root(t)
	t.Setenv("SUDO_UID", "65534")
	t.Setenv("SUDO_GID", "65534")
	dir := t.TempDir()
	there := filepath.Join(dir, "there")
	if err := os.Mkdir(there, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, to := range []string{there, filepath.Join(dir, "there/new"), filepath.Join(dir, "a/b/c")} {
		out, err := input.NewFolder(to)
		if err != nil {
			t.Fatal(err)
		}
		if err := out.Finish("x.txt", "words"); err != nil {
			t.Fatal(err)
		}
		out.Close()
		if to == there {
			if err := os.Remove(filepath.Join(there, "x.txt")); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, want := range map[string]uint32{"": 0, "there": 0, "there/new": 65534, "there/new/x.txt": 65534, "a": 65534, "a/b/c": 65534, "a/b/c/x.txt": 65534} {
		if got := ownerOf(t, filepath.Join(dir, name)); got != want {
			t.Errorf("%q belongs to %d, want %d", name, got, want)
		}
	}
}
