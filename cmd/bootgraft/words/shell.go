package words

import (
	"fmt"
	"strings"
)

// ansiWord quotes a word with bytes that are not to be shown, for the shells that
// know $'...' (POSIX.1-2024, Shell Command Language, 2.2.4).
func ansiWord(s string) string {
	var b strings.Builder
	b.WriteString("$'")
	for i := range len(s) {
		switch c := s[i]; {
		case c == '\'' || c == '\\':
			b.WriteString("\\" + string(rune(c)))
		case c < 0x20 || c >= 0x7F:
			fmt.Fprintf(&b, "\\%03o", c) // always three digits: a digit may follow
		default:
			b.WriteByte(c)
		}
	}
	b.WriteString("'")
	return b.String()
}

// Shell quotes a word for the shell, if it has to be.
func Shell(s string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/._-+=:,%@", r)
	}
	if s != "" && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	if Visible(s) != s || strings.ContainsAny(s, "\n\t") {
		return ansiWord(s)
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
