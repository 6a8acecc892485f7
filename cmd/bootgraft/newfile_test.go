package main

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// Where there are no hard links a name is taken all the same, and never from
// somebody else.
func TestClaim(t *testing.T) {
	dir := t.TempDir()
	put := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	made, path := put("made", "new"), filepath.Join(dir, "card.plan")
	if err := claim(made, path); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "new" {
		t.Errorf("%q, %v", b, err)
	}
	if err := claim(put("made", "newer"), path); !errors.Is(err, os.ErrExist) {
		t.Errorf("a name that is taken: %v", err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "new" {
		t.Errorf("the older file: %q, %v", b, err)
	}
	if err := claim(filepath.Join(dir, "gone"), filepath.Join(dir, "other")); err == nil {
		t.Error("a file that is not there got a name")
	}
	if _, err := os.Lstat(filepath.Join(dir, "other")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("an empty file remains: %v", err)
	}
}
