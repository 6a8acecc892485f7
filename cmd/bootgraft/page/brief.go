package page

import (
	"bytes"
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

// Brief is the first screen of a page that is longer than one: the verdict, numbers, the
// gravest findings, and what to type now.
type Brief struct {
	Verdict  []string // sentences, each on lines of its own
	Facts    report.Facts
	Findings []disk.Finding
	Next     func(u *talk.UI)
}

// briefLines is how many lines a first screen takes at least, with what is said below it: 24,
// less the prompt.
const briefLines = 23

// Show writes the first screen. What has no room of the findings is counted.
func (b *Brief) Show(u *talk.UI) {
	head := linesOf(u, b.head)
	next := ""
	if b.Next != nil {
		next = linesOf(u, b.Next)
	}
	const belowIt = 2 // how to see the rest
	lines := briefLines
	if u.Height != nil {
		lines = max(lines, u.Height()-1) // less the prompt
	}
	room := lines - belowIt - strings.Count(head, "\n") - strings.Count(next, "\n")
	u.Answerf("%s%s%s", head, b.findings(u, room), next)
}

func (b *Brief) head(u *talk.UI) {
	for _, s := range b.Verdict {
		u.Wrapped("", s)
	}
	u.Answerf("%s", b.Facts.Lines("  "))
}

// findings writes the gravest findings for which there are so many lines.
func (b *Brief) findings(u *talk.UI, room int) string {
	var out strings.Builder
	left := len(b.Findings)
	room -= 2 // the blank line before them, and the line that counts the others
	for _, f := range gravest(b.Findings) {
		text := linesOf(u, func(u *talk.UI) { showFinding(u, f) })
		n := strings.Count(text, "\n")
		if n > room && f.Severity != disk.Note { // a long warning is named at least
			text, n = fmt.Sprintf("  %-9s%s ...\n", graveText(&f), f.Code), 1
		}
		if n <= room {
			out.WriteString(text)
			room -= n
			left--
		}
	}
	if len(b.Findings) == 0 {
		return ""
	}
	switch {
	case left == len(b.Findings):
		fmt.Fprintf(&out, "  %s, not shown here\n", disk.Counted(left, "finding"))
	case left > 0:
		fmt.Fprintf(&out, "  and %s\n", disk.Counted(left, "more finding"))
	}
	return "\n" + out.String()
}

// sectors says what is true of so many sectors. text is said of many.
func sectors(n disk.Sector, text string) string {
	if n == 1 {
		text = ofOne.Replace(" " + text)[1:]
	}
	return disk.Counted(n, "sector") + " " + text
}

// ofOne are the verbs of one.
var ofOne = strings.NewReplacer(" are ", " is ", " were ", " was ", " read as ", " reads as ", " hold ", " holds ",
	" they would ", " it would ")

// Where all of a list is to be had.
const (
	restInJSON   = "and %s more; all of them with --json"
	restInSurvey = "; all of them with survey --json"
)

// someOf returns the first lines of a list, and in the words of more how many there are
// beside them.
func someOf(lines []string, most int, more string) []string {
	if len(lines) <= most+1 {
		return lines
	}
	return append(lines[:most:most], fmt.Sprintf(more, disk.Grouped(len(lines)-most)))
}

// linesOf is what a part of a page says.
func linesOf(u *talk.UI, show func(u *talk.UI)) string {
	var text bytes.Buffer
	part := *u
	part.Out = &text
	show(&part)
	return text.String()
}
