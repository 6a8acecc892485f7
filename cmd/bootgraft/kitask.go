package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/scan"
)

type kitAskFlags struct {
	head, tail     string
	sectorSize     int
	sectors, first string
	passOn         string
	system         string // that they have, where they get this program
}

// mostAsked is how many sectors of one place are asked for: 64 MiB of 512 bytes, as
// everywhere in this program.
const mostAsked = 131072

// passOns are what an asker promises about what is sent.
var passOns = input.Choices{Flag: "pass-on", Words: []string{string(page.PassOnNever), string(page.PassOnAsk),
	string(page.PassOnKit)}}

// systems are those on which this program reads a drive.
var systems = input.Choices{Flag: "for", Words: []string{string(page.Windows), string(page.MacOS), string(page.Linux)},
	None: true}

func kitAskCommand(u *talk.UI) *cobra.Command {
	var f kitAskFlags
	c := &cobra.Command{
		Use:   "ask",
		Short: "a page for somebody whose unit works",
		Long: `Prints a page to send to somebody who has the same device and whose unit works:
what is wanted, how to read it, and what to mind. It needs no program of ours.

Send this program along and it is three lines, on one page: --for says which
system they have.

  bootgraft kit ask --for windows > please.txt

Without --for it asks in two steps. The first page wants the number of sectors and the first
sector alone. With both, the second page asks for those places that the first
sector names: what lies in front of, between and behind the volumes, and the
boot sectors of each. So nobody has to send songs or names of files.

  bootgraft kit ask > please.txt
  bootgraft kit ask --sectors 39070080 --first first.bin > please-again.txt

Where there is no table, or where somebody can be asked only once, say how much
of both ends is wanted:

  bootgraft kit ask --head 16MiB --tail 16MiB > please.txt

--pass-on chooses the sentence on what you will do with it: never (it stays with
you), ask (you will ask again first), or kit (you want to share the small file).`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return f.run(c.Context(), u) },
	}
	fl := c.Flags()
	fl.StringVar(&f.head, "head", "", "how much of the head is wanted, at once with the tail")
	fl.StringVar(&f.tail, "tail", "", "how much of the tail is wanted, at once with the head")
	fl.StringVar(&f.sectors, "sectors", "", "the number of sectors of their drive, as they told it; goes with --first")
	fl.StringVar(&f.first, "first", "", "the first sector of their drive, as they sent it; goes with --sectors")
	fl.IntVar(&f.sectorSize, "sector-size", 512, "logical sector size of the drive in bytes")
	systems.Add(c, &f.system, "", "they get this program from you: windows, macos or linux")
	passOns.Add(c, &f.passOn, string(page.PassOnNever), "what you promise about what is sent: never, ask or kit")
	return c
}

func (f *kitAskFlags) run(ctx context.Context, u *talk.UI) error {
	switch {
	case input.CheckSectorSize(f.sectorSize) != nil:
		return input.CheckSectorSize(f.sectorSize)
	case passOns.Check(f.passOn) != nil:
		return passOns.Check(f.passOn)
	case systems.Check(f.system) != nil:
		return systems.Check(f.system)
	case f.system != "" && (f.first+f.sectors != "" || f.sectorSize != 512):
		return talk.Usagef("with --for this program finds out what the drive is: leave --sectors, --first and " +
			"--sector-size out")
	case (f.sectors == "") != (f.first == ""):
		return talk.Usagef("--sectors and --first go together: they are the answers to the first page")
	case f.first != "" && f.head+f.tail != "":
		return talk.Usagef("--head and --tail ask for everything at once, and --first for what their first sector names")
	}
	q := &page.Question{SectorSize: f.sectorSize, PassOn: page.PassOn(f.passOn)}
	var err error
	switch {
	case f.system != "":
		q.For = page.System(f.system)
		q.Flags, err = f.makeFlags()
	case f.first != "":
		err = f.named(ctx, q)
	case f.head+f.tail != "":
		err = f.atOnce(q)
	default:
		q.First = true
		q.Pieces = []page.AskedPiece{{File: "first.bin", Span: disk.Span{Count: 1}}}
	}
	if err != nil {
		return err
	}
	text := page.Ask(q)
	u.Document(document.NewKitAsk(q.SectorSize, asked(q), text))
	u.Answerf("%s", text)
	return nil
}

// makeFlags are the flags of kit make that take as much of both ends as is asked for.
func (f *kitAskFlags) makeFlags() (string, error) {
	text := ""
	for _, end := range []struct{ flag, size string }{{"head", f.head}, {"tail", f.tail}} {
		if end.size == "" {
			continue
		}
		if _, err := input.ParseSize(end.size, f.sectorSize); err != nil {
			return "", err
		}
		text += " --" + end.flag + " " + words.Verbatim(end.size)
	}
	return text, nil
}

// asked are the pieces of a question, for a script.
func asked(q *page.Question) []document.AskedPiece {
	out := []document.AskedPiece{}
	for _, p := range q.Pieces {
		out = append(out, document.AskedPiece{File: p.File, Start: p.Span.Start, Count: p.Span.Count, FromEnd: p.FromEnd})
	}
	return out
}

// atOnce asks for both ends.
func (f *kitAskFlags) atOnce(q *page.Question) error {
	for _, end := range []struct {
		text, file string
		fromEnd    bool
	}{{f.head, "head.bin", false}, {f.tail, "tail.bin", true}} {
		if end.text == "" {
			continue
		}
		s, err := input.ParseSize(end.text, f.sectorSize)
		if err != nil {
			return err
		}
		p := page.AskedPiece{File: end.file, Span: disk.Span{Count: s.Sectors}, FromEnd: end.fromEnd}
		if end.fromEnd {
			p.Span.Start = s.Sectors
		}
		q.Pieces = append(q.Pieces, p)
	}
	return nil
}

// named asks for what the first sector of their drive names.
func (f *kitAskFlags) named(ctx context.Context, q *page.Question) error {
	n, err := input.ParseCount(f.sectors)
	if err != nil {
		return err
	}
	src, err := input.OpenParts([]string{"0s=" + f.first}, n, f.sectorSize)
	if err != nil {
		return err
	}
	defer src.Close()
	m, err := scan.Run(ctx, src, scan.Options{})
	if err != nil {
		return err
	}
	if len(m.Entries) == 0 && m.Table != "gpt" {
		return talk.Refusef("%s names no volume: it holds no table that is known here (%s). Ask for both ends at once:\n\n"+
			"  bootgraft kit ask --head 16MiB --tail 16MiB", f.first, m.Table)
	}
	q.Sectors = n
	for _, w := range gather.Wanted(m, gather.Ends{Head: mostAsked, Tail: mostAsked}) {
		p := page.AskedPiece{File: fmt.Sprintf("part%d.bin", len(q.Pieces)+1), Span: w.Span, What: w.What}
		if w.End() == n {
			p.Span.Start, p.FromEnd = n-w.Start, true
		}
		q.Pieces = append(q.Pieces, p)
	}
	return nil
}
