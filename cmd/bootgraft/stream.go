package main

import (
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
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
	if _, s.err = io.WriteString(s.to, visible(string(text[:whole]))); s.err != nil {
		return 0, s.err
	}
	return len(p), nil
}

// end writes what is left and returns the first error.
func (s *stream) end() error {
	if s.err == nil && len(s.part) > 0 {
		_, s.err = io.WriteString(s.to, visible(string(s.part)))
		s.part = nil
	}
	return s.err
}

// visible shows what a terminal would obey or hide: control characters, those
// that turn the direction of a line round, bytes that are no UTF-8.
func visible(s string) string {
	plain := func(r rune) bool { return r == '\n' || r == '\t' || unicode.IsPrint(r) || unicode.Is(unicode.Zs, r) }
	if utf8.ValidString(s) && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], string(utf8.RuneError)):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case plain(r):
			b.WriteRune(r)
		case r > 0xFFFF:
			high, low := utf16.EncodeRune(r)
			fmt.Fprintf(&b, `\u%04x\u%04x`, high, low)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.String()
}
