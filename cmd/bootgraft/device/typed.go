package device

import (
	"os"
	"slices"
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
	page, next := false, -1
	if w.waited {
		next = cameAs(os.Args)
	}
	for i, a := range os.Args {
		if page || strings.HasPrefix(a, "--report=") || strings.HasPrefix(a, "--redact") {
			page = false
			continue
		}
		if page = a == "--report"; page {
			continue
		}
		if i == next {
			a = w.path
		}
		typed = append(typed, a)
	}
	return strings.Join(words.Typed(typed), " ")
}

// cameAs is the argument that stands for the card that was waited for: the last "next" that is
// no value of a flag. A plan may be called that as well, and it comes first.
func cameAs(args []string) (at int) {
	at = -1
	for i, a := range args {
		if a == "next" && !slices.Contains(valued, args[i-1]) {
			at = i
		}
	}
	return at
}

// valued are the flags of commands that write to a card whose value may be any word.
var valued = []string{"--receipt", "--fixed", "--confirm", "--earlier", "--source", "--record", "--accept", "--keep"}
