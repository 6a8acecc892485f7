package talk

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// A bar that a terminal of 80 columns folds is drawn again below itself each time.
func TestBarFitsTheTerminal(t *testing.T) {
	for _, what := range []string{"looking", "looking for lost sectors", strings.Repeat("x", 46)} {
		var drawn bytes.Buffer
		progress, finish := (&UI{Bars: true, Screen: &drawn}).Bar(what)
		progress(1<<38, 1<<40)
		time.Sleep(150 * time.Millisecond) // it is drawn ten times a second at most
		progress(1<<39, 1<<40)
		finish()
		if !strings.Contains(drawn.String(), what) {
			t.Errorf("%s: drawn is %q", what, drawn.String())
		}
		for _, line := range strings.Split(drawn.String(), "\r") {
			if n := utf8.RuneCountInString(line); n > 80 {
				t.Errorf("%s: %d columns: %q", what, n, line)
			}
		}
	}
}
