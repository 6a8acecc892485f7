// Package topic holds the pages of help that are about no one command: what to do
// before a drive is swapped, how a dying drive is read, what to do when a card does not
// start, what words mean. Each is a text of at most 80 columns, to read and to print.
package topic

import (
	"embed"
	"slices"
	"strings"
)

//go:embed *.txt
var texts embed.FS

// order is the order of the work.
var order = []string{"before", "reading", "cards", "unknown", "no-start", "words"}

// Names lists the topics, in the order of the work.
func Names() []string { return slices.Clone(order) }

// Text returns the page of a topic.
func Text(name string) (string, bool) {
	if !slices.Contains(order, name) {
		return "", false
	}
	b, err := texts.ReadFile(name + ".txt")
	return string(b), err == nil
}

// Title returns the first line of a page, which says what it is about.
func Title(name string) string {
	text, _ := Text(name)
	title, _, _ := strings.Cut(text, "\n")
	return title
}
