//go:build unix

package newfile

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// A run that ends may take the name away before it lets go of the lock: who waited at the
// door has a file then that nobody finds any more, and must not write into it.
func TestAFileWhoseNameWasTakenAwayIsNotLocked(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a")
	for _, again := range []bool{false, true} {
		if err := os.WriteFile(name, []byte("old"), 0o600); err != nil {
			t.Fatal(err)
		}
		f, st, err := regular(name, os.O_RDWR)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(name, name+".moved"); err != nil {
			t.Fatal(err)
		}
		if again {
			if err := os.WriteFile(name, []byte("new"), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if err := lockAs(f, st, name); !errors.Is(err, ErrInUse) {
			t.Errorf("another file has the name: %t, got %v", again, err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
