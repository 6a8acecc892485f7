// Package talk is the conversation with a person: the answer and what is said
// beside it, the one progress bar, the width of a terminal, how the program
// ends, and what it says if it ends at once.
package talk

import (
	"fmt"
	"io"
	"os"
	"runtime"

	"golang.org/x/term"

	"bootgraft/cmd/bootgraft/words"
)

// UI is the only way words reach a person: the answer goes to Out, the
// conversation to Err, bars only to a terminal.
type UI struct {
	Out, Err io.Writer
	object   *object    // the one of the answer, until the end
	answer   *stream    // below out
	Screen   io.Writer  // the terminal of err, for what is drawn: no name of anything reaches it
	Height   func() int // lines of the terminal that shows the answer, 0 if none does; nil: none ever
	All      bool       // whole pages, however long
	JSON     bool
	Quiet    bool
	Bars     bool // err is a terminal
	In       io.Reader
	Asks     bool // in is a terminal

	standing *standing // what is true if the program ends at once
	above    *above    // the line about long work, which goes before a word is said; nil: there is none ever
}

// New returns the conversation over the streams of the process.
func New(args []string) *UI {
	typed := typedNames(args)
	line := &above{}
	answer := &stream{to: os.Stdout, typed: typed, before: line.room}
	u := &UI{
		Out: answer, answer: answer, Err: &stream{to: os.Stderr, typed: typed, before: line.room,
			cells: narrow(os.Stderr)}, Screen: os.Stderr,
		Height: rows(os.Stdout),
		Bars:   term.IsTerminal(int(os.Stderr.Fd())) && draws(runtime.GOOS, os.Getenv), above: line,
		In: os.Stdin, Asks: term.IsTerminal(int(os.Stdin.Fd())),
		standing: &standing{}, object: &object{},
	}
	cells := narrow(os.Stdout)
	answer.cells = func() int {
		if u.JSON { // it is for programs
			return 0
		}
		return cells()
	}
	return u
}

// draws tells whether a terminal obeys the sequences that erase a line. An old console of
// Windows shows them instead; its Terminal and whatever sets TERM do not.
func draws(system string, env func(string) string) bool {
	name := env("TERM")
	return name != "dumb" && (system != "windows" || name != "" || env("WT_SESSION") != "")
}

// narrow returns how many cells a line takes on a terminal for which the pages are too
// wide, or 0.
func narrow(f *os.File) func() int {
	cells := LineWidth(f)
	if cells >= plainWidth || !term.IsTerminal(int(f.Fd())) {
		cells = 0
	}
	return func() int { return cells }
}

// Answerf writes to the answer, unless it is wanted as JSON.
func (u *UI) Answerf(format string, args ...any) {
	if !u.JSON {
		fmt.Fprintf(u.Out, format, args...)
	}
}

// Sayf writes to the conversation.
func (u *UI) Sayf(format string, args ...any) {
	if !u.Quiet {
		fmt.Fprintf(u.Err, format+"\n", args...)
	}
}

// Wrapped writes text to the answer, folded to its lines, with a first
// prefix and the same room before the lines that follow.
func (u *UI) Wrapped(prefix, text string) {
	u.Answerf("%s", words.Fold(prefix, text))
}

// Next says what can be done now, and which lines to type for it: these are never folded.
func (u *UI) Next(text string, lines ...string) {
	u.Answerf("\n%s\n", words.Fold("", text))
	u.Lines(lines...)
}

// Lines writes lines to type, which are never folded.
func (u *UI) Lines(lines ...string) {
	for _, l := range lines {
		u.Answerf("  %s\n", l)
	}
}

// Rows writes lines with a name before the first.
func (u *UI) Rows(name string, lines ...string) {
	for _, l := range lines {
		u.Wrapped(fmt.Sprintf("  %-10s ", name), l)
		name = ""
	}
}

// Aside is the same conversation with a part of the work whose answer nobody
// asked for: it is said, and none of it is the answer.
func (u *UI) Aside() *UI {
	a := *u
	a.JSON, a.Out = false, u.Err
	if u.Quiet {
		a.Out = io.Discard
	}
	return &a
}

// plainWidth is how many cells a line may take where there is no terminal.
const plainWidth = 80

// columns returns how wide the terminal is: a line that is folded cannot be
// drawn again in its place.
func columns() int { return min(width(os.Stderr), plainWidth) }

// LineWidth returns how many cells a line of text may take on one of the streams of
// the process. Bounds by hand, no source: below 40 a page is torn to single words, and
// lines of more than 120 are hard to follow.
func LineWidth(f *os.File) int { return min(max(width(f), 40), 120) }

// width returns how wide a terminal is, if it is one that says so.
func width(f *os.File) int {
	if n, _, err := term.GetSize(int(f.Fd())); err == nil && n > 1 {
		return n
	}
	return plainWidth
}
