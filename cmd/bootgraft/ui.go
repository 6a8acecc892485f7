package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// ui is the only way words reach a person: the answer goes to out, the
// conversation to err, bars only to a terminal.
type ui struct {
	out, err io.Writer
	answer   *stream   // below out
	screen   io.Writer // the terminal of err, for what is drawn: no name of anything reaches it
	JSON     bool
	quiet    bool
	bars     bool // err is a terminal
	in       io.Reader
	asks     bool // in is a terminal

	standing *standing // what is true if the program ends at once
}

func newUI() *ui {
	answer := &stream{to: os.Stdout}
	return &ui{
		out: answer, answer: answer, err: &stream{to: os.Stderr}, screen: os.Stderr, bars: term.IsTerminal(int(os.Stderr.Fd())),
		in: os.Stdin, asks: term.IsTerminal(int(os.Stdin.Fd())),
		standing: &standing{},
	}
}

// answerf writes to the answer, unless it is wanted as JSON.
func (u *ui) answerf(format string, args ...any) {
	if !u.JSON {
		fmt.Fprintf(u.out, format, args...)
	}
}

// sayf writes to the conversation.
func (u *ui) sayf(format string, args ...any) {
	if !u.quiet {
		fmt.Fprintf(u.err, format+"\n", args...)
	}
}

// object writes the one JSON object of the answer, if JSON is wanted.
func (u *ui) object(v any) error {
	if !u.JSON {
		return nil
	}
	enc := json.NewEncoder(u.out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	return enc.Encode(v)
}

// bar shows how far long work has come: a bar on a terminal, a plain line
// every 30 seconds elsewhere. done and total are in bytes.
func (u *ui) bar(what string) (progress func(done, total int64), finish func()) {
	if u.quiet {
		return func(int64, int64) {}, func() {}
	}
	if !u.bars {
		last := time.Now()
		return func(done, total int64) {
			if time.Since(last) >= 30*time.Second {
				last = time.Now()
				u.sayf("%s: %s of %s bytes", what, disk.Grouped(done), disk.Grouped(total))
			}
		}, func() {}
	}
	var b *progressbar.ProgressBar
	return func(done, total int64) {
			if b == nil {
				b = progressbar.NewOptions64(total,
					progressbar.OptionSetWriter(u.screen), progressbar.OptionSetDescription(what),
					progressbar.OptionShowBytes(true), progressbar.OptionSetWidth(24),
					progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
			}
			_ = b.Set64(done) // a bar that cannot be drawn is no reason to stop
		}, func() {
			if b != nil {
				_ = b.Finish()
			}
		}
}

// wrapped writes text to the answer, folded to 80 columns, with a first
// prefix and the same room before the lines that follow.
func (u *ui) wrapped(prefix, text string) {
	u.answerf("%s", words.Fold(prefix, text))
}

// rows writes lines with a name before the first.
func (u *ui) rows(name string, lines ...string) {
	for _, l := range lines {
		u.wrapped(fmt.Sprintf("  %-10s ", name), l)
		name = ""
	}
}

// aside is the same conversation with a part of the work whose answer nobody
// asked for: it is said, and none of it is the answer.
func (u *ui) aside() *ui {
	a := *u
	a.JSON, a.out = false, u.err
	if u.quiet {
		a.out = io.Discard
	}
	return &a
}

// columns returns how wide the terminal is: a line that is folded cannot be
// drawn again in its place.
func columns() int {
	if n, _, err := term.GetSize(int(os.Stderr.Fd())); err == nil && n > 1 {
		return min(n, 80)
	}
	return 80
}
