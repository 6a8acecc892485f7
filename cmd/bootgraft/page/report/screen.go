package report

import (
	"strings"

	"bootgraft/cmd/bootgraft/words"
)

// Screen writes parts of a page as a terminal shows them.
func Screen(parts ...Part) string {
	var b strings.Builder
	for i := range parts {
		p := &parts[i]
		if p.Blocks == nil {
			continue
		}
		b.WriteString("\n" + p.Heading)
		if !strings.HasSuffix(p.Heading, "?") {
			b.WriteString(":")
		}
		b.WriteString("\n" + ScreenOf(p.Blocks...))
	}
	return b.String()
}

// ScreenOf writes what stands under a heading.
func ScreenOf(blocks ...Block) string {
	var b strings.Builder
	for _, block := range blocks {
		switch v := block.(type) {
		case Table:
			b.WriteString(v.Screen())
		case Text:
			b.WriteString(words.Fold("", string(v)))
		}
	}
	return b.String()
}
