package talk

import (
	"io"
	"strings"
	"unicode/utf8"

	"bootgraft/cmd/bootgraft/words"
)

// stream is where words for a person go: standard output or standard error. It
// remembers the first write that failed, and shows whatever could steer a
// terminal as its number, so that no name, typed or read from a disk, does. The
// form is that of JSON (RFC 8259, section 7), in which it says the same.
type stream struct {
	to    io.Writer
	typed *strings.Replacer // shows the newlines of names that were typed, nil if there are none
	part  []byte            // the beginning of a character that was not written whole
	err   error
	used  bool // something was written to it

	before func()     // makes room on the terminal; nil: there is nothing in the way
	cells  func() int // of a terminal that is narrower than the pages are made for; 0: lines stay as they are
	line   []byte     // the beginning of a line that is not whole, where lines are folded
}

// typedNames shows the newlines of what was typed, where it is said again: a line
// of a name must not pass for one of ours.
func typedNames(args []string) *strings.Replacer {
	var pairs []string
	add := func(name string) {
		if strings.Contains(name, "\n") && strings.Trim(name, "\n") != "" {
			pairs = append(pairs, name, strings.ReplaceAll(name, "\n", `\n`))
		}
	}
	for _, a := range args {
		_, value, _ := strings.Cut(a, "=") // of a flag
		add(a)
		add(value)
	}
	if pairs == nil {
		return nil
	}
	return strings.NewReplacer(pairs...)
}

// Write implements io.Writer.
func (s *stream) Write(p []byte) (int, error) {
	if s.err != nil {
		return 0, s.err
	}
	s.used = true
	if s.before != nil {
		s.before()
	}
	text := append(s.part, p...)
	if s.typed != nil {
		text = []byte(s.typed.Replace(string(text)))
	}
	whole := len(text)
	for back := 1; back < utf8.UTFMax && back <= len(text); back++ {
		if utf8.RuneStart(text[len(text)-back]) {
			if !utf8.FullRune(text[len(text)-back:]) {
				whole = len(text) - back
			}
			break
		}
	}
	s.part = append([]byte(nil), text[whole:]...)
	if s.put(words.Visible(string(text[:whole]))); s.err != nil {
		return 0, s.err
	}
	return len(p), nil
}

// put writes what can be seen, each line folded where the terminal is narrow.
func (s *stream) put(text string) {
	cells := 0
	if s.cells != nil {
		cells = s.cells()
	}
	if cells == 0 {
		_, s.err = io.WriteString(s.to, text)
		return
	}
	text = string(s.line) + text
	whole := strings.LastIndexByte(text, '\n') + 1
	s.line = []byte(text[whole:])
	var b strings.Builder
	for line := range strings.Lines(text[:whole]) {
		b.WriteString(words.Narrow(cells, strings.TrimSuffix(line, "\n")))
	}
	_, s.err = io.WriteString(s.to, b.String())
}

// end writes what is left and returns the first error.
func (s *stream) end() error {
	if rest := string(s.line) + words.Visible(string(s.part)); s.err == nil && rest != "" {
		_, s.err = io.WriteString(s.to, rest)
		s.part, s.line = nil, nil
	}
	return s.err
}
