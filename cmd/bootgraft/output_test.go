package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/layout/scan/files"
)

// TestOutputNames: whatever a disk calls its files, they land inside the
// folder, under names of their own.
func TestOutputNames(t *testing.T) {
	t.Parallel()
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
		out, err := newOutput(filepath.Join(dir, "to"))
		if err != nil {
			t.Fatal(err)
		}
		defer out.close()
		n := rapid.IntRange(1, 5).Draw(t, "files")
		seen := map[string]bool{}
		for range n {
			f, err := out.create(&files.File{Volume: 1, Path: names.Draw(t, "name")})
			if err != nil {
				continue // a name that cannot be made, such as a folder in the place of a file, harms nothing
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
	if _, err := newOutput(t.TempDir()); err != nil {
		t.Errorf("an empty folder is refused: %v", err)
	}
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "x"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := newOutput(full); talk.ExitCode(err) != talk.ExitRefused {
		t.Errorf("a folder with files is taken: %v", err)
	}
}

func TestSizes(t *testing.T) {
	for _, c := range []struct {
		text    string
		sectors int64
		nominal bool
	}{
		{"39070080s", 39070080, false}, {"20003880960", 39070080, false}, {"16GB", 31250000, true},
		{"16GiB", 33554432, false}, {"1,000s", 1000, false}, {"512", 1, false}, {"1.5GB", 2929687, true}, {"614,400s", 614400, false}, {"20,003,880,960", 39070080, false}, {"1,000.5kB", 1954, true}, {"0.5MiB", 1024, false},
		{"16gb", 31250000, true}, {"16 GB", 31250000, true}, {" 16 gib ", 33554432, false}, {"39070080 sectors", 39070080, false},
		{"39070080S", 39070080, false}, {"1 sector", 1, false}, {"614400B", 1200, false}, {"614400 bytes", 1200, false},
	} {
		got, err := parseSize(c.text, 512)
		if err != nil || int64(got.sectors) != c.sectors || got.nominal != c.nominal {
			t.Errorf("%s: %+v %v, want %d sectors, nominal %v", c.text, got, err, c.sectors, c.nominal)
		}
	}
	for _, bad := range []string{"", "s", "GB", "-5s", "0", "1e9", "12x", "513", "99999999999999999999", "9999999999999TB", "NaNGB", "InfGB", "1.5s",
		"1,5GB", "1,50GB", "1,5000s", ",500s", "1,,000s", "1000,000s", "1,000,00s", "-1,000s", "1,", "1,000.5",
		"16G", "16g", "16 M", "k", "1.5T", "513B", "16bytess", "G"} {
		if got, err := parseSize(bad, 512); talk.ExitCode(err) != talk.ExitUsage {
			t.Errorf("%q is taken as %+v (%v)", bad, got, err)
		}
	}
}
