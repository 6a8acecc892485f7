package page

import (
	"path/filepath"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// Outcome is how a command ended, for its page.
type Outcome struct {
	Answer
	Title   string
	Code    int      // exit code
	Error   string   // what was said at the end; empty if all is well
	Names   []string // that were typed: a sentence that begins with one keeps it as it is
	Program string
}

// Answer is what a command found or did, as parts of a page.
type Answer struct {
	Verdict  string         // in one sentence, where all is well; empty: Done
	State    string         // empty: that of the drive, or of how the command ended
	Next     []string       // what to type now
	First    []report.Part  // what is read before the drive and the card are shown
	Findings []disk.Finding // beside those of the drive or the plan
	Then     []report.Part  // tables, and bytes of a disk
	Told     bool           // First says all that was said at the end
}

// outcomes are the exit codes as a page names them: a sentence that goes before what was
// said at the end, where that alone would not say it, and the state.
var outcomes = map[int]struct{ before, state string }{
	talk.ExitDone:       {"", "whole"},
	talk.ExitFailed:     {"Something could not be read or written.", "not done"},
	talk.ExitRefused:    {"The answer is no; nothing was written.", "refused"},
	talk.ExitFenced:     {"Stopped after the first write to the card: it is no card yet.", "unfinished"},
	talk.ExitDifferent:  {"", "different"},
	talk.ExitIncomplete: {"", "not whole"},
	talk.ExitStopped:    {"", "unfinished"},
}

// OutcomeReport is the page of a command that has ended. d and p are nil where there is
// no drive or no plan to show.
func OutcomeReport(o Outcome, d *Drive, p *Planned) *report.Report {
	first, rest, _ := strings.Cut(o.Error, "\n")
	r := &report.Report{
		Title: o.Title, Verdict: o.verdict(first), State: o.state(d), Good: o.Code == talk.ExitDone && o.State == "",
		Next: o.Next, Written: o.Program,
	}
	if !o.Told {
		r.Add(report.NewPart("How it ended", paragraphs(rest)...))
	}
	r.Add(o.First...)
	switch {
	case p != nil:
		p.fill(r, o.Answer)
	case d != nil:
		d.fill(r, o.Answer)
	default:
		if len(o.Findings) > 0 {
			r.Add(findingsPart(o.Findings))
		}
		r.Add(o.Then...)
	}
	return r
}

// verdict is the one sentence of the page. first is the line with which the command ended.
func (o *Outcome) verdict(first string) string {
	switch {
	case first == "" && o.Code == talk.ExitDone && o.Verdict != "":
		return o.Verdict
	case first == "" && outcomes[o.Code].before == "":
		return "Done."
	case first == "":
		return outcomes[o.Code].before
	}
	sentence, before := first, outcomes[o.Code].before
	if !slices.ContainsFunc(o.Names, func(n string) bool { return n != "" && strings.HasPrefix(first, n) }) {
		sentence = strings.ToUpper(first[:1]) + first[1:]
	}
	if strings.Contains(first, "nothing was written") {
		before = ""
	}
	if !strings.HasSuffix(sentence, ".") && !strings.HasSuffix(sentence, ":") {
		sentence += "."
	}
	return strings.TrimSpace(before + " " + sentence)
}

func (o *Outcome) state(d *Drive) string {
	good, state := o.Code == talk.ExitDone, outcomes[o.Code].state
	switch {
	case o.State != "":
		state = o.State
	case d == nil && good: // of no drive or card
		return ""
	case good || o.Code == talk.ExitIncomplete:
		if d != nil && d.state() != "whole" {
			return d.state()
		}
	}
	if d != nil && d.damaged() > 0 {
		state += "; " + d.state()
	}
	return state
}

// paragraphs sets what was said at the end: lines that are indented are lists and commands,
// whose columns mean something.
func paragraphs(text string) (out []report.Block) {
	for line := range strings.Lines(text) {
		typed := strings.HasPrefix(line, " ")
		line = strings.TrimPrefix(strings.TrimRight(line, "\n"), "  ")
		n := len(out)
		switch {
		case strings.TrimSpace(line) == "":
		case !typed:
			out = append(out, report.Text(line))
		case n > 0:
			if before, ok := out[n-1].(report.Typed); ok {
				out[n-1] = before + "\n" + report.Typed(line)
				continue
			}
			fallthrough
		default:
			out = append(out, report.Typed(line))
		}
	}
	return out
}

// fill adds what a page says of a drive, around the answer of a command about it.
func (d *Drive) fill(r *report.Report, a Answer) {
	r.Aloud.Add("sectors of the drive", disk.Grouped(d.Map.Sectors))
	r.Aloud.Add("sectors not known", disk.Grouped(d.missing()))
	r.Forum = d.numbers()
	d.damagedFirst(r)
	r.Add(drawn("The drive", drawing.New(d.Map, nil, d.Faults)), d.bootPart(), cautionsPart(),
		findingsPart(slices.Concat(d.Map.Findings, d.Found, a.Findings)))
	r.Add(a.Then...)
	r.Add(report.NewPart("Who owns every sector of the drive", regionTable(d.Map)), counted(d.Counts), d.notesPart())
}

// damagedFirst puts the files that are not whole before all else.
func (d *Drive) damagedFirst(r *report.Report) {
	others := r.Parts
	r.Parts = nil
	r.Add(d.damagedPart())
	r.Add(others...)
}

// fill adds what a page says of a planned card, around the answer of a command about it.
func (p *Planned) fill(r *report.Report, a Answer) {
	cardSectors := disk.Grouped(p.Target.Sectors)
	r.Aloud.Add("sectors of the drive", disk.Grouped(p.Map.Sectors))
	r.Aloud.Add("sectors of the card", cardSectors)
	if text := seesText(p.Plan); text != "" {
		r.Aloud.Add("its device", text)
	}
	r.Aloud.Add("check number of the plan begins", short(p.Digest))
	r.Forum = p.numbers(report.Fact{Name: "card sectors", Value: cardSectors},
		report.Fact{Name: "check number of the plan", Value: p.Digest})
	p.damagedFirst(r)
	r.Add(drawn("Where everything goes", drawing.New(p.Map, p.Plan, p.Faults)), p.bootPart(), p.changesPart())
	if p.Starts != nil {
		r.Add(startsPart(p.Starts))
	}
	r.Add(cautionsPart(), findingsPart(slices.Concat(p.Plan.Findings, a.Findings)))
	r.Add(a.Then...)
	r.Add(droppedPart(p.Plan), p.piecesPart(), p.notesPart(), hexPart(p.Anew))
}

// AddPaths gives every path, drive or label of a list a stand-in.
func AddPaths(n *report.Names, all ...string) {
	for _, p := range all {
		if strings.TrimSpace(p) == "" {
			continue
		}
		stand := n.Numbered(p, placeholder(p))
		n.Give(words.Shell(p), stand)
		if base := filepath.Base(p); base != p {
			n.Give(base, stand)
		}
	}
}
