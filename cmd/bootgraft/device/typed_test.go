package device

import (
	"os"
	"strings"
	"testing"
)

// TestTypedForTheCardThatCame: only the word that the card was waited for with becomes its name.
func TestTypedForTheCardThatCame(t *testing.T) {
	was := os.Args
	defer func() { os.Args = was }()
	for _, c := range []struct {
		typed, want string
		waited      bool
	}{
		{"bootgraft write next next --device", "bootgraft write next /dev/sdz --device", true},
		{"bootgraft write next next --device --receipt next", "bootgraft write next /dev/sdz --device --receipt next", true},
		{"bootgraft write --device next /dev/sdz", "bootgraft write --device next /dev/sdz", false},
		{"bootgraft card --report p.html next --device", "bootgraft card /dev/sdz --device", true},
	} {
		os.Args = strings.Fields(c.typed)
		w := &work{path: "/dev/sdz", waited: c.waited}
		if got := w.typed(); got != c.want {
			t.Errorf("%s: %s, want %s", c.typed, got, c.want)
		}
	}
}
