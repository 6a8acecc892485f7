package words

import (
	"os/exec"
	"strings"
	"testing"

	"bootgraft/image/imagetest/need"
)

// A word for the shell comes back as the same bytes, and shows none of them:
// bash(1) reads it.
func TestShellWordWithControlBytes(t *testing.T) {
	bash := need.Tool(t, "bash")
	for _, name := range []string{"\x1b[31m it's", "a\nb", "\xff7", `back\slash` + "\x01"} {
		word := Shell(name)
		if Visible(word) != word || strings.Contains(word, "\n") {
			t.Errorf("%q is shown as %q", name, word)
		}
		got, err := exec.Command(bash, "-c", "printf %s "+word).Output()
		if err != nil || string(got) != name {
			t.Errorf("%q comes back as %q, %v", name, got, err)
		}
	}
}

// How Windows splits a line: from the documentation of CommandLineToArgvW.
func TestWordsOfTheCommandPrompt(t *testing.T) {
	for word, want := range map[string]string{
		`\\.\PhysicalDrive2`: `\\.\PhysicalDrive2`, `C:\old.img`: `C:\old.img`, `a b.img`: `"a b.img"`, `it's`: `"it's"`,
		`E:\a b\`: `"E:\a b\\"`, `a"b`: `"a\"b"`, `a \"b`: `"a \\\"b"`, ``: `""`, `старый.img`: `"старый.img"`, `a&b`: `"a&b"`,
	} {
		if got := shellOn("windows", word); got != want {
			t.Errorf("%s: %s, want %s", word, got, want)
		}
	}
}

// A name is no flag, whatever it begins with, and a line that was typed with "--" can get flags
// at its end: POSIX.1-2024, Utility Conventions, 12.2, guideline 10.
func TestNamesAreNoFlags(t *testing.T) {
	for name, want := range map[string]string{"-old.img": "./-old.img", "-": "./-", "-a b": "'./-a b'", "a-b": "a-b", "next": "./next",
		"next.plan": "next.plan"} {
		if got := Shell(name); got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	for line, want := range map[string]string{
		"w --device -- -p -t": "w --device ./-p ./-t", "w -o -p t": "w -o -p t", "w --": "w", "w -- next": "w next",
	} {
		if got := strings.Join(Typed(strings.Fields(line)), " "); got != want {
			t.Errorf("%s: %s, want %s", line, got, want)
		}
	}
}
