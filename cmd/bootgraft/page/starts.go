package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout/plan/starts"
)

// methodWords are the ways of starting as a person reads them.
var methodWords = map[starts.Method]string{
	starts.ActiveEntry: "through the active entry",
	starts.BareVolume:  "from the volume without a table",
	starts.GPT:         "through boot code beside the GUID partition table",
	starts.EFIFallback: "by the EFI program for removable media",
	starts.BootCode:    "through the boot code of sector 0",
	starts.Unknown:     "by firmware of its own",
}

var startWords = map[starts.Answer]string{
	starts.NothingFound: "nothing found that stops it",
	starts.CannotKnow:   "cannot know",
	starts.WillNot:      "will not start",
}

// noPromise is what it means that nothing is found.
const noPromise = "Nothing found is no promise: a machine may know a place by other means."

// maxStartLines keeps the list of a way readable. By hand, no source.
const maxStartLines = 12

// Starts says what stops a planned card from starting.
func Starts(u *talk.UI, r *starts.Report) {
	u.Answerf("Will it start?\n")
	startWays(u, r, true)
	switch r.Answer {
	case starts.NothingFound:
		u.Wrapped("", noPromise)
	case starts.CannotKnow:
		u.Wrapped("", "What cannot be known only the machine can tell: try the card, or the planned card in a virtual "+
			"machine (bootgraft serve).")
	}
}

// StartsBriefly is the section of another page: one line a way of starting, and what
// stands against it. again is what starts is given to say more, or nothing.
func StartsBriefly(u *talk.UI, r *starts.Report, again string) {
	u.Answerf("\nWill it start?\n")
	startWays(u, r, false)
	if again != "" {
		u.Answerf("  What was followed: bootgraft starts %s\n", again)
	}
}

// KitStarts says it of a card that is planned from a kit alone, or why there is none.
func KitStarts(u *talk.UI, r *starts.Report, refused []disk.Finding) {
	if r == nil && len(refused) == 0 {
		return
	}
	u.Answerf("\n%s\n", kitStarts)
	if r == nil {
		u.Wrapped("  ", noCard(refused))
		return
	}
	startWays(u, r, false)
	u.Wrapped("  ", emptyCard)
}

// kitStarts is the question about a kit.
const kitStarts = "Will a card start that is made of this kit alone?"

// emptyCard is the card of which it is said whether a kit starts it.
const emptyCard = "That is a card of the drive's own size whose FAT volumes begin empty."

// noCard says why there is none.
func noCard(refused []disk.Finding) string {
	return "cannot know: no card of the drive's own size can be planned from it: " + refused[0].Text
}

// startWays tells of each way what stands against it, and, where that is wanted, what holds.
func startWays(u *talk.UI, r *starts.Report, holds bool) {
	for _, w := range r.Ways {
		u.Wrapped("  ", wayText(w))
		startLines(u, "    broken: ", w.Broken)
		startLines(u, "    cannot know: ", w.Cannot)
		if holds {
			startLines(u, "    holds: ", w.Chain)
		}
	}
}

func wayText(w starts.Way) string { return methodText(w) + ": " + startWords[w.Answer] }

func methodText(w starts.Way) string {
	text := methodWords[w.Method]
	if w.Entry > 0 {
		text += fmt.Sprintf(" (entry %d)", w.Entry)
	}
	return text
}

func startLines(u *talk.UI, label string, lines []string) {
	for _, line := range someOf(lines, maxStartLines, restInJSON) {
		u.Wrapped(label, line)
	}
}

// StartsAnswer is whether a planned card starts, and what was followed to say so.
func StartsAnswer(r *starts.Report) Answer {
	a := Answer{Verdict: "Nothing is found that stops the planned card from starting.",
		First: []report.Part{startsPart(r)}}
	if r.Answer == starts.CannotKnow {
		a.Verdict = "Whether the planned card starts cannot be known without trying."
	}
	for _, w := range r.Ways {
		a.First = append(a.First, report.NewPart("What holds: "+methodText(w), report.ListOf("link", w.Chain)))
	}
	return a
}

// startsPart says for each way of starting whether anything is found that stops it.
func startsPart(s *starts.Report) report.Part {
	t := report.NewTable("how | answer | why")
	for _, w := range s.Ways {
		why := someOf(slices.Concat(w.Broken, w.Cannot), maxStartLines, "and %s more")
		t.Add(methodText(w), startWords[w.Answer], strings.Join(why, "; "))
	}
	return report.NewPart("Will it start?", t, report.Text(noPromise))
}
