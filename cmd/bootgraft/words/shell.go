package words

import (
	"fmt"
	"runtime"
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

// Shell is the name of a file as a word for the shell of this system: quoted if it has to be,
// no flag, whatever it begins with, and not the word for the disk that comes next.
func Shell(s string) string {
	if s == "next" {
		s = "./next"
	}
	return Argument(s)
}

// Argument is an argument as it was typed, as a word for the shell: quoted if it has to be, and no
// flag, whatever it begins with.
func Argument(s string) string {
	if strings.HasPrefix(s, "-") {
		s = "./" + s
	}
	return Verbatim(s)
}

// Verbatim quotes a word for the shell of this system, if it has to be: a flag, or what is
// no name of a file.
func Verbatim(s string) string { return shellOn(runtime.GOOS, s) }

// Typed is a command as it was typed, ready to get more flags: what stands behind "--" would
// take them for names, so it loses that mark, and its names keep being none.
func Typed(args []string) []string {
	var typed []string
	for i, a := range args {
		if a == "--" {
			for _, name := range args[i+1:] {
				typed = append(typed, Argument(name))
			}
			break
		}
		typed = append(typed, Verbatim(a))
	}
	return typed
}

func shellOn(system, s string) string {
	safe := "/._-+=:,%@"
	if system == "windows" {
		safe = `/._-+:@\`
	}
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune(safe, r)
	}
	switch {
	case s != "" && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0:
		return s
	case Visible(s) != s || strings.ContainsAny(s, "\n\t"):
		return ansiWord(s)
	case system == "windows":
		return windowsWord(s)
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// windowsWord quotes a word for the command prompt, where ' is a letter like any other. A
// backslash before a quotation mark has to be doubled (CommandLineToArgvW).
func windowsWord(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	slashes := 0
	for _, r := range s {
		switch r {
		case '\\':
			slashes++
		case '"':
			b.WriteString(strings.Repeat(`\`, slashes+1))
			slashes = 0
		default:
			slashes = 0
		}
		b.WriteRune(r)
	}
	return b.String() + strings.Repeat(`\`, slashes) + `"`
}
