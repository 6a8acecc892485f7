package main

import (
	"path/filepath"
	"strings"
	"testing"
)

// onlyNewfile are the places beside safety/newfile that open a file for change,
// with the reason.
var onlyNewfile = map[string]string{
	"safety/blockdev/detach_linux.go": "the kernel's files in sysfs, by which a disk is let go",
}

// TestOnlyNewfileMakesFiles: there is one way to make a file. Reading is free.
func TestOnlyNewfileMakesFiles(t *testing.T) {
	found := 0
	for path, text := range sources(t) {
		name := filepath.ToSlash(strings.TrimPrefix(path, "../../"))
		pkg := filepath.ToSlash(filepath.Dir(name))
		if strings.HasSuffix(name, "_test.go") || isTestOnly(pkg) {
			continue
		}
		for i, line := range strings.Split(text, "\n") {
			code, _, _ := strings.Cut(line, "//")
			for _, call := range []string{"os.OpenFile(", "os.Create(", "os.CreateTemp(", "os.Rename(", "os.Link(", "os.Symlink(", "os.WriteFile(", "os.Mkdir(", "os.MkdirAll(", "os.MkdirTemp(", "os.Chmod(", "os.Chown(", "os.Lchown(", "os.OpenRoot("} {
				if !strings.Contains(code, call) {
					continue
				}
				if pkg == "safety/newfile" {
					found++
				} else if onlyNewfile[name] == "" {
					t.Errorf("%s:%d: %s) belongs into safety/newfile", name, i+1, call)
				}
			}
		}
	}
	if found == 0 {
		t.Error("safety/newfile makes no file: the search is broken")
	}
}

func isTestOnly(pkg string) bool {
	for _, p := range testOnly {
		if pkg == p {
			return true
		}
	}
	return false
}
