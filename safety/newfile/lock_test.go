//go:build unix || windows

package newfile

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

func TestASecondRunIsRefusedTheLock(t *testing.T) {
	name := filepath.Join(t.TempDir(), "x")
	open := func() *os.File {
		f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f
	}
	first, second := open(), open()
	if err := Lock(first); err != nil {
		t.Fatal(err)
	}
	if err := Lock(second); !errors.Is(err, ErrInUse) {
		t.Fatalf("the second lock: %v, want ErrInUse", err)
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	if err := Lock(second); err != nil {
		t.Fatalf("after the first run ended: %v", err)
	}
}
