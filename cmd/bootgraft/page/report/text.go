package report

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/words"
)

// Plain writes the page as text for a terminal or a plain file.
func (r *Report) Plain() []byte {
	var b strings.Builder
	title := words.Printable(r.Title)
	fmt.Fprintf(&b, "%s\n%s\n\n", title, strings.Repeat("=", words.Cells(title)))
	b.WriteString(words.Fold("", words.Printable(r.Verdict)))
	if r.State != "" {
		b.WriteString(words.Fold("State: ", words.Printable(r.State)))
	}
	if len(r.Next)+len(r.Aloud) > 0 {
		b.WriteString("\n")
	}
	if len(r.Next) > 0 {
		b.WriteString("Next:\n\n")
		for _, s := range r.Next {
			fmt.Fprintf(&b, "  %s\n", words.Printable(s))
		}
		b.WriteString("\n")
	}
	b.WriteString(r.Aloud.Lines(""))
	for _, p := range r.Parts {
		plainPart(&b, p)
	}
	if len(r.Forum) > 0 {
		fmt.Fprintf(&b, "\n%s\n%s\n", forumHeading, strings.Repeat("-", len(forumHeading)))
		b.WriteString(r.Forum.Lines(""))
	}
	fmt.Fprintf(&b, "\n%s", words.Fold("", r.foot()))
	return []byte(b.String())
}

const forumHeading = "Numbers for whoever helps"

func plainPart(b *strings.Builder, p Part) {
	h := words.Printable(p.Heading)
	fmt.Fprintf(b, "\n%s\n%s\n", h, strings.Repeat("-", words.Cells(h)))
	for _, block := range p.Blocks {
		switch v := block.(type) {
		case Text:
			b.WriteString(words.Fold("", words.Printable(string(v))))
		case List:
			for _, s := range v {
				b.WriteString(words.Fold("- ", words.Printable(s)))
			}
		case Typed:
			for line := range strings.Lines(string(v)) {
				fmt.Fprintf(b, "  %s\n", words.Printable(strings.TrimRight(line, "\n")))
			}
		case Drawing:
			b.WriteString(words.Fold("", words.Printable(v.Picture.Says())))
		case Wave:
			fmt.Fprintf(b, "  |%s|\n", v.Envelope.Line(waveLetters))
		case Table:
			b.WriteString(v.plain())
		}
	}
}

// waveLetters is how many letters the shape of a recording takes where it is text.
const waveLetters = 72

// foot says who wrote the page, and what it does not show.
func (r *Report) foot() string {
	text := "Written by " + r.Written + "."
	if r.Hidden != nil {
		text += " Names are replaced by stand-ins, the same wherever they occur"
		if len(r.Hidden) > 0 {
			text += ": " + strings.Join(r.Hidden, ", ")
		}
		text += ". --redact=false shows them."
	}
	return text
}
