package device

import (
	"os"
	"strings"

	"bootgraft/cmd/bootgraft/words"
)

// commandLine is the command as it was typed, for this very card, with one
// flag more.
func (w *work) commandLine(flag, value string) string {
	return words.AsNow(w.typed() + " " + flag + " " + words.Verbatim(value))
}

// asRoot is the command with the rights that it lacks. The word was for
// somebody else's look, or there was none yet.
func (w *work) asRoot() string { return words.AsRoot(w.typed()) }

// typed is the command as it was typed, for this very card, without pages: those are
// written by the time it is typed again, and none is replaced.
func (w *work) typed() string {
	var typed []string
	page := false
	for _, a := range os.Args {
		if page || strings.HasPrefix(a, "--report=") || strings.HasPrefix(a, "--redact") {
			page = false
			continue
		}
		if page = a == "--report"; page {
			continue
		}
		if a == "next" {
			a = w.path
		}
		typed = append(typed, a)
	}
	return strings.Join(words.Typed(typed), " ")
}
