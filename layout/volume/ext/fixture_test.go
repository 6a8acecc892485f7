package ext

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bootgraft/image/imagetest"
)

var fixtures = []string{"ext2", "ext4", "inline"}

// fixture reads a small volume from testdata/ext; its file says how it was made.
func fixture(t testing.TB, name string) *imagetest.Disk {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", "ext", name+".txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d, err := imagetest.Parse(f)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestFixtures reads the volumes of testdata/ext; what they hold is what
// mke2fs was given.
func TestFixtures(t *testing.T) {
	for _, name := range fixtures {
		t.Run(name, func(t *testing.T) {
			v, err := Read(fixture(t, name))
			if err != nil {
				t.Fatal(err)
			}
			wantCodes(t, v.Findings)
			var paths []string
			if _, err := v.walk(func(f File) error {
				b, err := io.ReadAll(v.Open(f))
				if err != nil {
					t.Errorf("%s: %v", f.Path, err)
				}
				text := string(b)
				want := map[string]string{
					"a.wav": "first track", "twin.wav": "first track", "link": "sub/note", "sub/deeper/empty": "",
					"sub/note": "a note of more than sixty bytes, so that it needs a second place: " + strings.Repeat("x", 30),
				}
				if w, ok := want[f.Path]; ok && w != text {
					t.Errorf("%s holds %q", f.Path, text)
				}
				if f.Path == "holes" && (len(b) != 300<<10+3 || strings.Trim(text, "\x00") != "start"+strings.Repeat("\x00", 300<<10-5)+"end") {
					t.Errorf("holes: %d bytes", len(b))
				}
				if f.Path == "twin.wav" && f.Links != 2 {
					t.Errorf("twin.wav has %d names", f.Links)
				}
				if f.Mode.IsRegular() && !f.Modified.Equal(time.Unix(1e9, 0)) {
					t.Errorf("%s was modified %v", f.Path, f.Modified)
				}
				paths = append(paths, f.Path)
				return nil
			}); err != nil {
				t.Fatal(err)
			}
			if len(paths) != 11 || paths[0] != "." {
				t.Errorf("%d entries: %v", len(paths), paths)
			}
		})
	}
}
