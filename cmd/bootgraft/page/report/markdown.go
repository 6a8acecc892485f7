package report

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/words"
)

// Markdown writes the page for a forum (CommonMark 0.31.2; tables as GitHub Flavored
// Markdown has them). Names from a disk are text in it, whatever they are.
func (r *Report) Markdown() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "# %s\n\n**%s**", mark(r.Title), mark(r.Verdict))
	if r.State != "" {
		fmt.Fprintf(&b, " State: %s.", mark(r.State))
	}
	b.WriteString("\n\n")
	if len(r.Next) > 0 {
		fenced(&b, strings.Join(r.Next, "\n"))
	}
	markFacts(&b, r.Aloud)
	for _, p := range r.Parts {
		fmt.Fprintf(&b, "## %s\n\n", mark(p.Heading))
		for _, block := range p.Blocks {
			markBlock(&b, block)
		}
	}
	if len(r.Forum) > 0 {
		fmt.Fprintf(&b, "## %s\n\n", forumHeading)
		fenced(&b, forumText(r.Forum))
	}
	fmt.Fprintf(&b, "%s\n", mark(r.foot()))
	return []byte(b.String())
}

func markFacts(b *strings.Builder, facts Facts) {
	if len(facts) == 0 {
		return
	}
	for _, f := range facts {
		fmt.Fprintf(b, "- %s: %s\n", mark(f.Name), mark(f.Value))
	}
	b.WriteString("\n")
}

func markBlock(b *strings.Builder, block Block) {
	switch v := block.(type) {
	case Text:
		fmt.Fprintf(b, "%s\n\n", mark(string(v)))
	case List:
		for _, s := range v {
			fmt.Fprintf(b, "- %s\n", mark(s))
		}
		b.WriteString("\n")
	case Typed:
		fenced(b, string(v))
	case Drawing:
		fmt.Fprintf(b, "%s\n\n", mark(v.Picture.Says()))
	case Wave:
		fenced(b, v.Envelope.Line(waveLetters))
	case Table:
		markTable(b, v)
	}
}

func markTable(b *strings.Builder, t Table) {
	line := func(cells []string) {
		for _, s := range cells {
			fmt.Fprintf(b, "| %s ", mark(s))
		}
		b.WriteString("|\n")
	}
	line(t.head())
	for _, c := range t.Columns {
		if c.Right {
			b.WriteString("| ---: ")
		} else {
			b.WriteString("| --- ")
		}
	}
	b.WriteString("|\n")
	for _, row := range t.Printed() {
		line(row)
	}
	b.WriteString("\n")
}

// fenced writes lines as they are, in a fence that none of them can close.
func fenced(b *strings.Builder, s string) {
	fence := "```"
	for strings.Contains(s, fence) {
		fence += "`"
	}
	fmt.Fprintf(b, "%s\n", fence)
	for line := range strings.Lines(s) {
		fmt.Fprintf(b, "%s\n", words.Printable(strings.TrimRight(line, "\n")))
	}
	fmt.Fprintf(b, "%s\n\n", fence)
}

// mark returns a text that means nothing but itself in Markdown: every character of
// ASCII punctuation that could begin something has a backslash (CommonMark 2.4), but for
// those that stand in every sentence and begin nothing within a line.
func mark(s string) string {
	var b strings.Builder
	for _, r := range words.Printable(s) {
		if strings.ContainsRune("\\`*_{}[]<>#|!~&$@", r) {
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	out := b.String()
	// "1. x", "+ x" and "- x" begin a list at the start of a line.
	if strings.HasPrefix(out, "-") || strings.HasPrefix(out, "+") {
		return `\` + out
	}
	if i := strings.IndexAny(out, ".)"); i > 0 && i < 10 && strings.Trim(out[:i], "0123456789") == "" {
		return out[:i] + `\` + out[i:]
	}
	return out
}
