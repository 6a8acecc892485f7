package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"

	"bootgraft/safety/archive"
)

func init() { scriptCommands["follow"] = scriptFollow }

// follow DIR, where there is a shell: types every line of HOW.txt into a shell that has dd, sha256sum and zstd,
// and never heard of this program; what the last one prints must be what the text says.
func scriptFollow(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: follow DIR")
	}
	dir := ts.MkAbs(args[0])
	text, err := os.ReadFile(filepath.Join(dir, archive.HowName))
	ts.Check(err)
	typed := typedIn(string(text))
	want := regexp.MustCompile(`(?m)^   ([0-9a-f]{64}  -)$`).FindStringSubmatch(string(text))
	cmd := exec.Command("sh", "-e")
	cmd.Dir, cmd.Stdin = dir, strings.NewReader(typed)
	out, err := cmd.Output()
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if err != nil || want == nil || lines[len(lines)-1] != want[1] {
		ts.Fatalf("%v; want %v, and the shell said\n%s\nof\n%s", err, want, out, typed)
	}
}

// typedIn is every line of a HOW.txt that is to be typed.
func typedIn(text string) string {
	var typed strings.Builder
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, "     "); ok {
			typed.WriteString(rest)
		}
	}
	return typed.String()
}
