package page

import (
	"embed"
	"fmt"
	"strings"
	"sync"
	"text/template"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// Question is what somebody whose unit works is asked for.
type Question struct {
	SectorSize int
	Pieces     []AskedPiece
	First      bool        // the first sector alone: what it names is asked for when it has come
	Sectors    disk.Sector // of the drive; 0: they are asked for too
	PassOn     PassOn
	For        System // they have this program; nothing else of the above is asked then
	Flags      string // of kit make, how much of both ends is wanted
}

// System is one on which this program reads a drive.
type System string

// The systems.
const (
	Windows System = "windows"
	MacOS   System = "macos"
	Linux   System = "linux"
)

// AskedPiece is a run of sectors that goes into a file of its own.
type AskedPiece struct {
	File    string
	Span    disk.Span
	FromEnd bool // Span.Start is so many sectors before the end
	What    string
}

// PassOn is what the asker promises about what is sent.
type PassOn string

// The promises.
const (
	PassOnNever PassOn = "never"
	PassOnAsk   PassOn = "ask"
	PassOnKit   PassOn = "kit"
)

// passOnTexts are the promises as they are sent.
var passOnTexts = map[PassOn]string{
	PassOnNever: "I shall not pass them on.",
	PassOnAsk:   "I shall not pass them on without asking you first.",
	PassOnKit: "I should like to pass on the small file that is made of them (it holds no music and no names " +
		"of volumes) " +
		"to others who have the same device. If you do not want that, write so, and I shall not.",
}

// askTexts are a page for somebody who has no program of ours, which names nothing but
// general-purpose tools, one for somebody who gets this program, and what both share.
// There the program lies in a folder that no search path names, where Windows alone looks.
//
//go:embed ask/*.txt
var askTexts embed.FS

var askPages = sync.OnceValue(func() *template.Template {
	return template.Must(template.ParseFS(askTexts, "ask/*.txt"))
})

// asked is what a page takes from its question.
type asked struct {
	*Question
	Wanted, Linux, MacOS, Check string // a line for each piece, and how it is read
	Count                       string // sectors of the drive, or a number like it
	Also, Holds, Files, End     string
	PassOn                      string
}

// Ask is a page to send to somebody whose unit works: what is wanted, in sectors
// and in bytes, how to read it, and what to mind. With this program it is shorter: that
// finds the places which the page without it asks for.
func Ask(q *Question) string {
	a := asked{Question: q, Count: "39070080", Also: q.alsoText(), Holds: q.holdsText(), Files: q.files(),
		PassOn: words.Fold("  ", passOnTexts[q.PassOn]), End: q.endText()}
	if q.Sectors > 0 {
		a.Count = fmt.Sprint(q.Sectors)
	}
	a.pieces()
	name := "page.txt"
	if q.For != "" {
		name = "program.txt"
	}
	var b strings.Builder
	_ = askPages().ExecuteTemplate(&b, name, a) // it fails only for a page that asks for what there is not
	return b.String()
}

// pieces lists what is wanted.
func (a *asked) pieces() {
	n := 1
	want := func(text string) {
		a.Wanted += words.Fold(fmt.Sprintf("  %d. ", n), text)
		n++
	}
	if a.Sectors == 0 {
		want("The number of sectors of your drive, exactly, and its number of bytes. Call the number of sectors N below.")
	}
	for i := range a.Pieces {
		p := &a.Pieces[i]
		want(fmt.Sprintf("%s: %s.", p.File, p.text(a.SectorSize)))
		a.Linux += p.command("/dev/sdX", a.SectorSize)
		a.MacOS += p.command("/dev/rdisk9", a.SectorSize)
		a.Check += words.Fold("  ", fmt.Sprintf("%s must have %s bytes.", p.File,
			disk.Grouped(int64(p.Span.Count)*int64(a.SectorSize))))
	}
	want("The name of the device, its version if it shows one, and what is printed on the drive.")
}

// text says which sectors a piece is.
func (p *AskedPiece) text(sectorSize int) string {
	bytes := fmt.Sprintf("%s sectors (%s bytes)", disk.Grouped(p.Span.Count),
		disk.Grouped(int64(p.Span.Count)*int64(sectorSize)))
	switch {
	case p.FromEnd:
		return "the last " + bytes
	case p.Span.Start == 0 && p.Span.Count == 1:
		return fmt.Sprintf("the first sector (%s bytes)", disk.Grouped(int64(sectorSize)))
	case p.Span.Start == 0:
		return "the first " + bytes
	}
	return fmt.Sprintf("%s from sector %s on (%s)", bytes, disk.Grouped(p.Span.Start), p.What)
}

// command reads a piece.
func (p *AskedPiece) command(from string, sectorSize int) string {
	skip := ""
	switch {
	case p.FromEnd:
		skip = fmt.Sprintf(" skip=$((N - %d))", p.Span.Start)
	case p.Span.Start > 0:
		skip = fmt.Sprintf(" skip=%d", p.Span.Start)
	}
	return fmt.Sprintf("    sudo dd if=%s of=%s bs=%d%s count=%d\n", from, p.File, sectorSize, skip, p.Span.Count)
}

// part is a piece as kit make takes it.
func (p *AskedPiece) part() string {
	if p.FromEnd {
		return fmt.Sprintf("--part end-%ds=%s", p.Span.Start, p.File)
	}
	return fmt.Sprintf("--part %ds=%s", p.Span.Start, p.File)
}

func (q *Question) files() string {
	var out []string
	for _, p := range q.Pieces {
		out = append(out, p.File)
	}
	return strings.Join(out, " ")
}

// alsoText says how much is asked for, and why.
func (q *Question) alsoText() string {
	if q.First {
		return "\n" + words.Fold("", "This first question is small on purpose: the first sector names what else there is. "+
			"When I have it I shall ask you "+
			"once more, for those few places alone.")
	}
	return ""
}

// holdsText says plainly what is in what is asked for.
func (q *Question) holdsText() string {
	if q.First {
		return words.Fold("  ", "The first sector holds a table of numbers, a small start-up program, and often a number "+
			"that tells your drive from every other.")
	}
	var sum int64
	for _, p := range q.Pieces {
		sum += int64(p.Span.Count) * int64(q.SectorSize)
	}
	text := "Some devices keep names, texts, serial numbers or the beginning of recordings in these sectors. " +
		"A partition " +
		"table and a start-up program " +
		"are in them too, and often a number that tells your drive from every other."
	if q.Sectors == 0 && sum >= 8<<20 { // by hand, no source: more than boot areas take on devices that are known here
		text = "So many sectors hold more than a start-up program: on a player the first 64 MiB hold the list of the names " +
			"of your files and the first of your " +
			"songs; on a recorder, the beginning of recordings. " + text
	}
	return words.Fold("  ", text+" Look through the files if that matters to you, and send them only to "+
		"somebody you trust.")
}

// endText is for the asker: what comes of the answer.
func (q *Question) endText() string {
	if q.First {
		return "(What comes next, when first.bin is here:\n\n  bootgraft kit ask --sectors N --first first.bin )\n"
	}
	var b strings.Builder
	b.WriteString("(What the files are for: they become one small file, a kit, with\n\n  bootgraft kit make --sectors ")
	if q.Sectors > 0 {
		fmt.Fprint(&b, q.Sectors)
	} else {
		b.WriteString("N")
	}
	for _, p := range q.Pieces {
		b.WriteString(" \\\n      " + p.part())
	}
	b.WriteString(" \\\n      -o device.kit )\n")
	return b.String()
}
