package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"strings"
	"sync"

	"bootgraft/cmd/bootgraft/words"
)

// HTML writes the page as one file that needs no other: no script, nothing from
// outside, and a policy that forbids both. It prints on A4 and Letter.
func (r *Report) HTML() ([]byte, error) {
	var b bytes.Buffer
	err := pageTemplate().Execute(&b, struct {
		*Report
		Foot         string
		ForumHeading string
	}{r, r.foot(), forumHeading})
	return b.Bytes(), err
}

// kind tells the template which block it is: the name of its type.
func kind(b Block) string {
	return strings.ToLower(strings.TrimPrefix(fmt.Sprintf("%T", b), "report."))
}

// svg returns the drawing, whose texts are made harmless where it is drawn.
func svg(d Drawing) template.HTML {
	return template.HTML(d.Picture.SVG(d.Title)) //nolint:gosec // escaped in package drawing
}

// wave returns the shape of a recording, which holds no text of a disk.
func wave(w Wave) template.HTML {
	return template.HTML(w.Envelope.SVG()) //nolint:gosec // numbers alone
}

func forumText(facts Facts) string { return strings.TrimRight(facts.Lines(""), "\n") }

//go:embed page.html
var pageHTML string

var pageTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Funcs(template.FuncMap{
		"kind": kind, "svg": svg, "wave": wave, "forum": forumText, "show": words.Printable,
		"lines": visibleLines,
	}).Parse(pageHTML))
})

// visibleLines shows each line of a text on its own, without what would steer a reader.
func visibleLines(s Typed) string {
	var b strings.Builder
	for line := range strings.Lines(string(s)) {
		b.WriteString(words.Printable(strings.TrimRight(line, "\n")) + "\n")
	}
	return b.String()
}
