package rescue

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/layout/scan/files"
	"bootgraft/safety/newfile"
)

// TestOutputNames: whatever a disk calls its files, they land inside the
// folder, under names of their own.
func TestOutputNames(t *testing.T) {
	names := rapid.OneOf(
		rapid.SampledFrom([]string{"..", "../../etc/passwd", "/abs", "a/../../b", "CON", "aux.wav", "a.", "a ", "", ".", "x\x00y", "a:b", "\xff\xfe", strings.Repeat("n", 300)}),
		rapid.String(),
	)
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "names")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		out, err := NewFolder(filepath.Join(dir, "to"))
		if err != nil {
			t.Fatal(err)
		}
		defer out.Close()
		n := rapid.IntRange(1, 5).Draw(t, "files")
		seen := map[string]bool{}
		for range n {
			f, err := out.Create(&files.File{Volume: 1, Path: names.Draw(t, "name")})
			if err != nil {
				t.Fatal(err) // one name must not stop the files behind it
			}
			if seen[f.Name] {
				t.Fatalf("%q is used twice", f.Name)
			}
			seen[f.Name] = true
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
			if st, err := os.Lstat(filepath.Join(dir, "to", f.Name)); err != nil || !st.Mode().IsRegular() {
				t.Fatalf("%q is not in the folder: %v", f.Name, err)
			}
		}
		entries, err := os.ReadDir(dir)
		if err != nil || len(entries) != 1 {
			t.Fatalf("something lies beside the folder: %v %v", entries, err)
		}
	})
	empty, err := NewFolder(t.TempDir())
	if err != nil {
		t.Fatalf("an empty folder is refused: %v", err)
	}
	empty.Close()
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "x"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := NewFolder(full); !errors.Is(err, newfile.ErrNotEmpty) {
		t.Errorf("a folder with files is taken: %v", err)
	}
}

// A file and a folder that come to the same name, on the disk or by what is not
// safe here, are both copied, whichever comes first.
func TestFileAndFolderOfOneName(t *testing.T) {
	dir := t.TempDir()
	out, err := NewFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	for _, c := range []struct{ path, name string }{
		{"d:", "volume-1/d_"},
		{"d*/inner", "volume-1/d_~2/inner"},
		{"d*/e/deep", "volume-1/d_~2/e/deep"},
		{"d*/e", "volume-1/d_~2/e~2"},
		{"d?/e/deep", "volume-1/d_~2/e/deep~2"},
		{"d_~2", "volume-1/d_~2~2"},
	} {
		of := &files.File{Volume: 1, Path: c.path}
		f, err := out.Create(of)
		if err != nil {
			t.Fatalf("%s: %v", c.path, err)
		}
		out.changed(of, f.Name)
		if f.Close(); f.Name != c.name {
			t.Errorf("%s is called %s, not %s", c.path, f.Name, c.name)
		}
	}
	if len(out.Changed) != 6 {
		t.Errorf("told of %v", out.Changed)
	}
}
