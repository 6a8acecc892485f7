package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"bootgraft/image/capture"
)

// ui is the only way words reach a person: the answer goes to out, the
// conversation to err, bars only to a terminal.
type ui struct {
	out, err io.Writer
	answer   *stream   // below out
	screen   io.Writer // the terminal of err, for what is drawn: no name of anything reaches it
	json     bool
	quiet    bool
	bars     bool // err is a terminal
	in       io.Reader
	asks     bool // in is a terminal

	standing *standing // what is true if the program ends at once

	invented map[string]capture.Drive // drives that the demonstration plays, by name
}

func newUI(args []string) *ui {
	typed := typedNames(args)
	answer := &stream{to: os.Stdout, typed: typed}
	return &ui{
		out: answer, answer: answer, err: &stream{to: os.Stderr, typed: typed}, screen: os.Stderr, bars: term.IsTerminal(int(os.Stderr.Fd())),
		in: os.Stdin, asks: term.IsTerminal(int(os.Stdin.Fd())),
		standing: &standing{},
	}
}

// answerf writes to the answer, unless it is wanted as JSON.
func (u *ui) answerf(format string, args ...any) {
	if !u.json {
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
	if !u.json {
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
				u.sayf("%s: %s of %s bytes", what, grouped(done), grouped(total))
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
	u.answerf("%s", fold(prefix, text))
}

// fold breaks text at blanks so that no line is longer than 80 columns.
func fold(prefix, text string) string {
	const width = 80
	room := strings.Repeat(" ", len([]rune(prefix)))
	var b strings.Builder
	line := prefix
	empty := true
	for _, word := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > width {
			b.WriteString(line + "\n")
			line, empty = room, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	b.WriteString(line + "\n")
	return b.String()
}

// grouped writes a number with thousands separators.
func grouped[T ~int | ~int64](n T) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// counted writes a number with its noun, which takes an s for other numbers
// than one.
func counted[T ~int | ~int64](n T, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return grouped(n) + " " + noun + "s"
}

// bytesText writes a size in the unit that cards and drives are sold in.
func bytesText(n int64) string {
	switch {
	case n >= 1e9:
		return fmt.Sprintf("%.2f GB", float64(n)/1e9)
	case n >= 1e6:
		return fmt.Sprintf("%.2f MB", float64(n)/1e6)
	case n >= 1e4:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return grouped(n) + " bytes"
}
