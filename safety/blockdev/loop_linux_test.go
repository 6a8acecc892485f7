package blockdev

import (
	"os"
	"path/filepath"
	"testing"
	"time"

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
		if uses, err := l.Uses(fi); err != nil {
			t.Fatal(err)
		} else if uses {
			return l.Node
		}
	}
	return ""
}

// A loop device whose file lies on a dead FUSE file system says nothing. It
// stops only who works on it, or on that file system; and where the path does not
// prove which file system that is, everybody.
func TestALoopThatDoesNotAnswerStopsOnlyWhomItConcerns(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	fi, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	dev, ino := fileID(fi)
	here := mount{number: number(dev), folder: "/here", kind: "fuse.test"}
	there := mount{number: "0:4321", folder: "/there", kind: "fuse.test"}
	mounts := []mount{{number: "8:1", folder: "/", kind: "ext4"}, here, there, {number: "8:2", folder: "/there/disk", kind: "ext4"}}
	over := make(chan struct{})
	defer close(over)
	ask := func(l Loop) (uint64, uint64, uint64) {
		if l.Node == "/dev/well" {
			return dev, ino, 0
		}
		<-over
		return 0, 0, 0
	}
	well := Loop{Node: "/dev/well", File: path, number: "7:98"}
	for _, c := range []struct {
		file            string
		listed, answers bool // Loops says something; so does Uses
	}{
		{"/there/a", true, true},
		{"/here/a", true, false},
		{"/therefore/a", false, false}, // on the disk of the system, which never hangs so
		{"/there/disk/a", false, false},
		{"/a (deleted)", false, false},
	} {
		dead := Loop{Node: "/dev/dead", File: c.file, number: "7:99"}
		for run := range 2 { // the second time it is not asked again
			patience := []time.Duration{50 * time.Millisecond, time.Hour}[run]
			loops, err := loopsAsked([]Loop{dead, well}, ask, mounts, patience)
			if (err == nil) != c.listed {
				t.Fatalf("%s: %v", c.file, err)
			} else if err != nil {
				continue
			}
			if uses, err := loops[0].Uses(fi); uses || (err == nil) != c.answers {
				t.Errorf("%s: used %t, %v", c.file, uses, err)
			}
			if uses, err := loops[1].Uses(fi); !uses || err != nil {
				t.Errorf("%s: the one that answers: used %t, %v", c.file, uses, err)
			}
			for touched, concerned := range map[string]bool{"7:99": true, number(loops[0].dev): true, "8:77": false} {
				w := &web{loops: loops, touched: map[string]bool{touched: true}}
				if err := w.unanswered(); (err != nil) != concerned {
					t.Errorf("%s: who works on %s: %v", c.file, touched, err)
				}
			}
			for on, concerned := range map[uint64]bool{loops[0].dev: true, loops[0].dev + 1: false} {
				w := &web{loops: loops, files: map[fileKey]string{{on, 5}: "x"}}
				if err := w.unanswered(); (err != nil) != concerned {
					t.Errorf("%s: who works on a file of %d: %v", c.file, on, err)
				}
			}
		}
	}
}
