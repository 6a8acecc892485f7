package device

import (
	"os"
	"strings"

	"bootgraft/cmd/bootgraft/words"
)

// commandLine is the command as it was typed, for this very card, with one
// flag more.
func (w *work) commandLine(flag, value string) string {
	line := w.typed()
	if os.Getenv("SUDO_UID") != "" {
		line = "sudo " + line
	}
	return line + " " + flag + " " + words.Shell(value)
}

// asRoot is the command with the rights that it lacks. The word was for
// somebody else's look, or there was none yet.
func (w *work) asRoot() string { return "sudo " + w.typed() }

// typed is the command as it was typed, for this very card.
func (w *work) typed() string {
	var typed []string
	for _, a := range os.Args {
		if a == "next" {
			a = w.path
		}
		typed = append(typed, words.Shell(a))
	}
	return strings.Join(typed, " ")
}
