package blockdev

import (
	"os"
	"path/filepath"
	"testing"

	"bootgraft/image/imagetest/need"
)

// losetup(8) attaches; the file is then known under every name that it has,
// also after a rename, and no other file is.
func TestLoopsKnowTheirFile(t *testing.T) {
	dir := t.TempDir()
	back, other := filepath.Join(dir, "back.img"), filepath.Join(dir, "other.img")
	for _, name := range []string{back, other} {
		if err := os.WriteFile(name, make([]byte, 1<<20), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	node := need.Loop(t, back)
	for _, err := range []error{
		os.Link(back, filepath.Join(dir, "hard.img")),
		os.Rename(back, filepath.Join(dir, "renamed.img")),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string]string{"hard.img": node, "renamed.img": node, "other.img": ""} {
		if got := user(t, filepath.Join(dir, name)); got != want {
			t.Errorf("%s is used by %q, want %q", name, got, want)
		}
	}
}

// user returns the node of the loop device that uses a file.
func user(t *testing.T, path string) string {
	t.Helper()
	fi, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	loops, err := Loops()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range loops {
		if l.Uses(fi) {
			return l.Node
		}
	}
	return ""
}
