package need

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// A loop device that a test has detached, and that went to somebody else, is not
// taken from him by the test's clean-up. losetup(8) says to whom it belongs.
func TestWhatIsAnothersStays(t *testing.T) {
	Root(t)
	losetup := Tool(t, "losetup")
	mine, other := filepath.Join(t.TempDir(), "mine"), filepath.Join(t.TempDir(), "other")
	for _, path := range []string{mine, other} {
		if err := os.WriteFile(path, make([]byte, 4096), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var node string
	t.Run("the first", func(t *testing.T) {
		node = Loop(t, mine)
		release := NewDisk(t)
		defer release()
		for _, args := range [][]string{{"-d", node}, {node, other}} {
			if out, err := exec.Command(losetup, args...).CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, out)
			}
		}
	})
	back := LentLoop(t, node)
	out, err := exec.Command(losetup, "--noheadings", "--output", "BACK-FILE", node).Output()
	if err != nil || string(out) != other+"\n" {
		t.Errorf("%s belongs to %q, %v", node, out, err)
	}
	if err := back(); err != nil {
		t.Error(err)
	}
	if err := back(); err != nil {
		t.Errorf("given back twice: %v", err)
	}
	if attachment(node) != "none" {
		t.Errorf("%s is still attached: %s", node, attachment(node))
	}
}
