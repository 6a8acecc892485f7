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
