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
	plainFacts(&b, r.Aloud)
	for _, p := range r.Parts {
		plainPart(&b, p)
	}
	if len(r.Forum) > 0 {
		fmt.Fprintf(&b, "\n%s\n%s\n", forumHeading, strings.Repeat("-", len(forumHeading)))
		plainFacts(&b, r.Forum)
	}
	fmt.Fprintf(&b, "\n%s", words.Fold("", r.foot()))
	return []byte(b.String())
}

const forumHeading = "Numbers for whoever helps"

func plainFacts(b *strings.Builder, facts []Fact) {
	most := 0
	for _, f := range facts {
		most = max(most, words.Cells(f.Name))
	}
	for _, f := range facts {
		b.WriteString(words.Fold(fmt.Sprintf("%s%s  ", f.Name, strings.Repeat(" ", most-words.Cells(f.Name))),
			words.Printable(f.Value)))
	}
}

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
			plainTable(b, v)
		}
	}
}

// waveLetters is how many letters the shape of a recording takes where it is text.
const waveLetters = 72

// plainTable sets columns; the last one folds.
func plainTable(b *strings.Builder, t Table) {
	rows := t.Rows
	if !t.Narrow {
		rows = append([][]string{t.Head}, rows...)
	}
	widths := make([]int, len(t.Head))
	for _, row := range rows {
		for i, s := range row {
			widths[i] = max(widths[i], words.Cells(words.Printable(s)))
		}
	}
	before := 0
	for _, w := range widths[:len(widths)-1] {
		before += w + 2
	}
	if before > mostBefore {
		plainRecords(b, t)
		return
	}
	for _, row := range rows {
		line := ""
		for i, s := range row[:len(row)-1] {
			s = words.Printable(s)
			room := strings.Repeat(" ", widths[i]-words.Cells(s))
			if i < len(t.Right) && t.Right[i] {
				line += room + s + "  "
			} else {
				line += s + room + "  "
			}
		}
		b.WriteString(strings.TrimRight(words.Fold(line, words.Printable(row[len(row)-1])), " \n") + "\n")
	}
}

// mostBefore is how many cells the columns before the last one may take: the rest is
// for the last one, which folds. By hand, no source.
const mostBefore = 56

// plainRecords sets a table whose columns have no room side by side: each row as lines
// below each other.
func plainRecords(b *strings.Builder, t Table) {
	most := 0
	for _, h := range t.Head {
		most = max(most, words.Cells(h))
	}
	for _, row := range t.Rows {
		for i, s := range row {
			if s == "" {
				continue
			}
			indent := "  "
			if i == 0 {
				indent = "- "
			}
			b.WriteString(words.Fold(fmt.Sprintf("%s%s%s  ", indent, t.Head[i],
				strings.Repeat(" ", most-words.Cells(t.Head[i]))), words.Printable(s)))
		}
	}
}

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
