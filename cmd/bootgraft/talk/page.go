package talk

import (
	"bytes"
	"os"
	"strings"

	"golang.org/x/term"

	"bootgraft/cmd/bootgraft/words"
)

// fewestRows is how many lines a terminal has where it says nothing else, and the fewest
// that a first screen is made for.
const fewestRows = 24

// rows returns how many lines the terminal has on which the answer is shown, 0 if it is
// shown on none.
func rows(f *os.File) func() int {
	return func() int {
		if !term.IsTerminal(int(f.Fd())) {
			return 0
		}
		_, n, err := term.GetSize(int(f.Fd()))
		if err != nil {
			return fewestRows
		}
		return max(n, fewestRows)
	}
}

// Page writes an answer that may be longer than a screen. On a terminal that it does not
// fit, the first screen of it stands alone: verdict, numbers, next line, and how to see
// the rest. A pipe or a file gets the whole, and so does whoever asks for it.
func (u *UI) Page(whole, first func(*UI)) {
	height := 0
	if u.Height != nil && !u.All && !u.JSON {
		height = u.Height()
	}
	if height == 0 {
		whole(u)
		return
	}
	var text bytes.Buffer
	kept := *u
	kept.Out = &text
	whole(&kept)
	if Lines(text.String(), LineWidth(os.Stdout)) >= height {
		text.Reset()
		first(&kept)
		kept.Answerf("\nAll of it: --all. To print it: --report page.html\n")
	}
	u.Answerf("%s", text.String())
}

// Lines counts the lines that a text takes on a terminal of so many cells.
func Lines(s string, cells int) (n int) {
	for line := range strings.Lines(s) {
		n += max(1, (words.Cells(strings.TrimSuffix(line, "\n"))+cells-1)/cells)
	}
	return n
}
