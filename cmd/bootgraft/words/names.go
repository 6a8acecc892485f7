// Package words writes text for a person: names from a disk that must not steer a
// terminal, lines that fold by the cells a terminal shows, words that a shell
// reads back. Numbers and sizes are written by image/disk.
package words

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Visible shows what a terminal would obey or hide: control characters, those
// that turn the direction of a line round, bytes that are no UTF-8.
func Visible(s string) string {
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

// Printable shows a name from a disk without letting it steer the terminal.
func Printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '?'
	}, strings.ToValidUTF8(s, "?"))
}
