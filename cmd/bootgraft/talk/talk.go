// Package talk is the conversation with a person: the answer and what is said
// beside it, the one progress bar, the width of a terminal, how the program
// ends, and what it says if it ends at once.
package talk

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// UI is the only way words reach a person: the answer goes to Out, the
// conversation to Err, bars only to a terminal.
type UI struct {
	Out, Err io.Writer
	object   *object   // the one of the answer, until the end
	answer   *stream   // below out
	Screen   io.Writer // the terminal of err, for what is drawn: no name of anything reaches it
	JSON     bool
	Quiet    bool
	Bars     bool // err is a terminal
	In       io.Reader
	Asks     bool // in is a terminal

	standing *standing // what is true if the program ends at once
}

// New returns the conversation over the streams of the process.
func New(args []string) *UI {
	typed := typedNames(args)
	answer := &stream{to: os.Stdout, typed: typed}
	return &UI{
		Out: answer, answer: answer, Err: &stream{to: os.Stderr, typed: typed}, Screen: os.Stderr, Bars: term.IsTerminal(int(os.Stderr.Fd())),
		In: os.Stdin, Asks: term.IsTerminal(int(os.Stdin.Fd())),
		standing: &standing{}, object: &object{},
	}
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

// Bar shows how far long work has come: a bar on a terminal, a plain line
// every 30 seconds elsewhere. done and total are in bytes.
func (u *UI) Bar(what string) (progress func(done, total int64), finish func()) {
	if u.Quiet {
		return func(int64, int64) {}, func() {}
	}
	if !u.Bars {
		last := time.Now()
		return func(done, total int64) {
			if time.Since(last) >= 30*time.Second {
				last = time.Now()
				u.Sayf("%s: %s of %s bytes", what, disk.Grouped(done), disk.Grouped(total))
			}
		}, func() {}
	}
	var b *progressbar.ProgressBar
	return func(done, total int64) {
			if b == nil {
				b = progressbar.NewOptions64(total,
					progressbar.OptionSetWriter(u.Screen), progressbar.OptionSetDescription(what),
					progressbar.OptionSetWidth(barWidth(what)), // no bytes a second: what is passed over unread counts as done
					progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
			}
			_ = b.Set64(done) // a bar that cannot be drawn is no reason to stop
		}, func() {
			if b != nil {
				_ = b.Finish()
			}
		}
}

// barWidth is the room for the bar itself: a line that is folded by the terminal
// cannot be drawn again in its place. Beside it stand what is done, the percentage
// and two times such as 1h23m45s.
func barWidth(what string) int { return max(1, min(24, Columns()-len(what)-32)) }

// Wrapped writes text to the answer, folded to 80 columns, with a first
// prefix and the same room before the lines that follow.
func (u *UI) Wrapped(prefix, text string) {
	u.Answerf("%s", words.Fold(prefix, text))
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

// Columns returns how wide the terminal is: a line that is folded cannot be
// drawn again in its place.
func Columns() int {
	if n, _, err := term.GetSize(int(os.Stderr.Fd())); err == nil && n > 1 {
		return min(n, 80)
	}
	return 80
}
