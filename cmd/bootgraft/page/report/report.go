// Package report is what an answer about a drive, a plan or a card is made of, and the
// forms in which it is shown: on a terminal, and on one page to print, to keep or to show to
// somebody.
//
//	values --(package page)--> Part --+--(screen.go)--> on a terminal
//	                                  '--> Report --(redact.go)--> Report --+--(html.go)--> one self-contained file
//	                                                                        +--(markdown.go)--> for a forum
//	                                                                        '--(text.go)--> a plain file
//
// The form of a page adds nothing and leaves nothing out but the drawing, which text cannot
// show: it says the same in words. A terminal shows fewer rows of a table.
package report

import (
	"errors"
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/cmd/bootgraft/words"
)

// Report is one page.
type Report struct {
	Title   string
	Verdict string   // one sentence
	State   string   // whole, N files damaged, only if ..., does not fit
	Good    bool     // nothing has to be done or decided
	Next    []string // what to type now
	Aloud   Facts    // what two people compare on the telephone
	Parts   []Part
	Forum   Facts    // the numbers that somebody who helps asks for
	Hidden  []string // kinds of names that were replaced; nil: nothing was
	Written string   // version of the program
}

// Fact is one number or word with its name.
type Fact struct{ Name, Value string }

// Facts stand below each other.
type Facts []Fact

// Add adds values, the first of them with its name.
func (f *Facts) Add(name string, values ...string) {
	for _, v := range values {
		*f = append(*f, Fact{name, v})
		name = ""
	}
}

// Lines writes them as text. What has no value is left out.
func (f Facts) Lines(indent string) string {
	most := 0
	for _, x := range f {
		most = max(most, words.Cells(x.Name))
	}
	var b strings.Builder
	for _, x := range f {
		if x.Value != "" {
			room := strings.Repeat(" ", most-words.Cells(x.Name)+2)
			b.WriteString(words.Fold(indent+x.Name+room, words.Printable(x.Value)))
		}
	}
	return b.String()
}

// Part is a part of the page under its own heading.
type Part struct {
	Heading string
	Blocks  []Block
	Private bool // bytes of a disk, or words of its owner: not for strangers
}

// Add adds parts. One that says nothing is left out.
func (r *Report) Add(parts ...Part) {
	for i := range parts {
		if parts[i].Blocks != nil {
			r.Parts = append(r.Parts, parts[i])
		}
	}
}

// NewPart makes a part of a page. A block that says nothing is left out.
func NewPart(heading string, blocks ...Block) Part {
	p := Part{Heading: heading}
	for _, b := range blocks {
		if !empty(b) {
			p.Blocks = append(p.Blocks, b)
		}
	}
	return p
}

// Private makes a part that is not for strangers.
func Private(heading string, blocks ...Block) Part {
	p := NewPart(heading, blocks...)
	p.Private = true
	return p
}

func empty(b Block) bool {
	switch v := b.(type) {
	case Table:
		return len(v.Rows) == 0
	case List:
		return len(v) == 0
	case Text:
		return v == ""
	case Typed:
		return v == ""
	}
	return false
}

// Block is one of Text, List, Table, Typed, Drawing or Wave.
type Block interface {
	each(f func(string) string) Block
}

// Text is a paragraph.
type Text string

// Valued makes a paragraph of a value with its name, if there is one.
func Valued(name, value string) Text {
	if value == "" {
		return ""
	}
	return Text(name + ": " + value)
}

// Textf makes a paragraph.
func Textf(format string, args ...any) Text { return Text(fmt.Sprintf(format, args...)) }

// List is a list of sentences.
type List []string

// Typed is text whose columns mean something: what is typed, and bytes.
type Typed string

// Drawing is a picture of the disks.
type Drawing struct {
	Picture *drawing.Picture
	Title   string
}

// Wave is how loud a recording is: no name stands in it.
type Wave struct{ Envelope *drawing.Envelope }

func (w Wave) each(func(string) string) Block { return w }

func (t Text) each(f func(string) string) Block  { return Text(f(string(t))) }
func (t Typed) each(f func(string) string) Block { return Typed(f(string(t))) }

func (l List) each(f func(string) string) Block {
	out := make(List, len(l))
	for i, s := range l {
		out[i] = f(s)
	}
	return out
}

func (t Table) each(f func(string) string) Block {
	rows := make([][]string, len(t.Rows))
	for i, row := range t.Rows {
		for _, s := range row {
			rows[i] = append(rows[i], f(s))
		}
	}
	t.Rows = rows
	return t
}

func (d Drawing) each(f func(string) string) Block {
	return Drawing{d.Picture.Renamed(f), f(d.Title)}
}

// SVG returns the drawing alone.
func (r *Report) SVG() ([]byte, error) {
	for _, p := range r.Parts {
		for _, b := range p.Blocks {
			if d, ok := b.(Drawing); ok {
				return d.Picture.SVG(d.Title), nil
			}
		}
	}
	return nil, errors.New("there is no disk on this page that could be drawn; give a page of another form: " +
		".html, .md or .txt")
}

// mapped returns the report with every text of it changed by f.
func (r *Report) mapped(f func(string) string) *Report {
	out := *r
	out.Title, out.Verdict, out.State = f(r.Title), f(r.Verdict), f(r.State)
	facts := func(in Facts) (out Facts) {
		for _, a := range in {
			out.Add(a.Name, f(a.Value))
		}
		return out
	}
	out.Aloud, out.Forum, out.Next = facts(r.Aloud), facts(r.Forum), nil
	for _, s := range r.Next {
		out.Next = append(out.Next, f(s))
	}
	out.Parts = nil
	for _, p := range r.Parts {
		q := Part{Heading: f(p.Heading)}
		for _, b := range p.Blocks {
			q.Blocks = append(q.Blocks, b.each(f))
		}
		out.Parts = append(out.Parts, q)
	}
	return &out
}
