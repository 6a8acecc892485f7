package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/imagetest/need"
)

// Whatever a name holds, a terminal obeys nothing of it. The form is that of
// JSON strings (RFC 8259, section 7), which encoding/json reads back.
func TestNamesDoNotSteerTheTerminal(t *testing.T) {
	for text, want := range map[string]string{
		"plain, Grüße, 日本\n\tx":      "plain, Grüße, 日本\n\tx",
		"\x1b[2Jgone":                `\u001b[2Jgone`,
		"a\rb\x07\x00":               `a\u000db\u0007\u0000`,
		"\u009b31m":                  `\u009b31m`,
		"file\u202egpj.exe":          `file\u202egpj.exe`,
		"\x7f\xff":                   `\u007f\xff`,
		"\U000E0041":                 `\udb40\udc41`,
		"half a character: \xe6\x97": `half a character: \xe6\x97`,
	} {
		for _, pieces := range []int{1, len(text)} {
			var out strings.Builder
			s := &stream{to: &out}
			var err error
			if pieces == 1 {
				_, err = io.WriteString(s, text)
			}
			for i := 0; pieces > 1 && i < len(text); i++ { // byte by byte, as a small buffer would
				_, e := io.WriteString(s, text[i:i+1])
				err = errors.Join(err, e)
			}
			if err := errors.Join(err, s.end()); err != nil || out.String() != want {
				t.Errorf("%q: %q, %v", text, out.String(), err)
			}
		}
	}
	var out strings.Builder
	if err := json.NewEncoder(&stream{to: &out}).Encode("\x7f\u009b\u202e\U000E0041\x1b"); err != nil {
		t.Fatal(err)
	}
	var back string
	if err := json.Unmarshal([]byte(out.String()), &back); err != nil || back != "\x7f\u009b\u202e\U000E0041\x1b" {
		t.Errorf("JSON says something else now: %s %q %v", out.String(), back, err)
	}
}

// A word for the shell comes back as the same bytes, and shows none of them:
// bash(1) reads it.
func TestShellWordWithControlBytes(t *testing.T) {
	bash := need.Tool(t, "bash")
	for _, name := range []string{"\x1b[31m it's", "a\nb", "\xff7", `back\slash` + "\x01"} {
		word := shellWord(name)
		if visible(word) != word || strings.Contains(word, "\n") {
			t.Errorf("%q is shown as %q", name, word)
		}
		got, err := exec.Command(bash, "-c", "printf %s "+word).Output()
		if err != nil || string(got) != name {
			t.Errorf("%q comes back as %q, %v", name, got, err)
		}
	}
}

// An answer that cannot be written ends with 1, whatever it would have been, but
// not where a card is half written.
func TestLostAnswer(t *testing.T) {
	for _, c := range []struct {
		err  error
		want int
	}{
		{nil, exitFailed}, {coded(exitIncomplete, errors.New("x")), exitFailed}, {coded(exitDifferent, errSaid), exitFailed},
		{coded(exitFenced, errors.New("x")), exitFenced},
	} {
		u := newUI(nil)
		u.answer.to = brokenWriter{}
		u.answerf("hello\n")
		if got := exitCode(u.said(c.err)); got != c.want {
			t.Errorf("after %v: %d, want %d", c.err, got, c.want)
		}
		u = newUI(nil)
		if err := u.said(c.err); err != c.err {
			t.Errorf("nothing was lost, and yet %v", err)
		}
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("no room") }

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

// A name that was typed with a newline in it is one line where it is said again,
// and no line of it looks like one of ours.
func TestNewlinesInTypedNamesAreShown(t *testing.T) {
	typed := typedNames([]string{"survey", "no\nsuch", "-o=a\nb", "\n", "plain"})
	var out strings.Builder
	s := &stream{to: &out, typed: typed}
	fmt.Fprintf(s, "there is no file %s\nnor %s\n", "no\nsuch", "a\nb")
	if want := "there is no file no\\nsuch\nnor a\\nb\n"; out.String() != want {
		t.Errorf("%q", out.String())
	}
	if typedNames([]string{"survey", "x"}) != nil {
		t.Error("there is something to show, and nothing was typed")
	}
}
