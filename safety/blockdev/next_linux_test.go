package blockdev

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/imagetest/need"
)

// TestADiskThatGoesIsNotNew: a disk that is taken away while the disks are counted is
// there or it is not; it is never one that came.
func TestADiskThatGoesIsNotNew(t *testing.T) {
	need.Root(t)
	tool := need.Tool(t, "losetup")
	need.OnlyDisk(t)
	file := filepath.Join(t.TempDir(), "disk")
	if err := os.WriteFile(file, make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 30 {
		out, err := exec.Command(tool, "--find", "--show", file).CombinedOutput()
		if err != nil {
			need.Absent(t, "a loop device: "+string(out))
		}
		node := strings.TrimSpace(string(out))
		back := need.LentLoop(t, node)
		before, err := diskNumbers()
		if err != nil {
			t.Fatal(err)
		}
		gone := make(chan error, 1)
		go func() { gone <- back() }()
		for going := true; going; {
			select {
			case err := <-gone:
				if err != nil {
					t.Fatal(err)
				}
				going = false
			default:
			}
			fresh, err := newSince(before)
			if err != nil || len(fresh) > 0 {
				t.Fatalf("%v came while %s went: %v", fresh, node, err)
			}
		}
	}
}
