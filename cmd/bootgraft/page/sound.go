package page

import (
	"fmt"
	"math"
	"strings"
	"time"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/tracks"
	"bootgraft/safety/rescue"
)

// Sounds is what files --sound has to say.
type Sounds struct {
	Name      string // of the source
	List      *tracks.List
	Into      string // the folder that they were written to, or empty
	Written   []rescue.WrittenTrack
	NoList    bool        // there was no room for the list
	Envelopes [][]float64 // of each track, for a page; nil without one
}

// SoundListName is the list in the folder of --to.
const SoundListName = "LIST.txt"

// Sound lists the recordings that were found.
func Sound(u *talk.UI, s *Sounds) {
	u.Page(func(u *talk.UI) {
		s.title(u)
		s.head(u)
		for i := range s.List.Tracks {
			t := &s.List.Tracks[i]
			u.Answerf("%s\n", soundRow(t))
			for _, line := range soundDetails(t, mostHoles) {
				u.Wrapped("      ", line)
			}
		}
	}, func(u *talk.UI) {
		// The head of the table, the line that counts the others, and how to see the rest.
		const beside = 2 + 1 + 2
		title := linesOf(u, s.title)
		rows := max(3, briefLines-beside-strings.Count(title, "\n"))
		u.Answerf("%s", title)
		s.head(u)
		for i := range s.List.Tracks {
			if i == rows {
				u.Answerf("      and %s more\n", disk.Counted(len(s.List.Tracks)-i, "run"))
				break
			}
			u.Answerf("%s\n", soundRow(&s.List.Tracks[i]))
		}
	})
}

// title says how much sound there is.
func (s *Sounds) title(u *talk.UI) {
	u.Answerf("%s:\n", s.Name)
	for _, line := range s.verdict() {
		u.Wrapped("", line)
	}
}

// verdict is how much sound there is, in sentences.
func (s *Sounds) verdict() []string {
	if s.List.Looked == 0 {
		return []string{"No sector lies outside the volumes; --sound=free also looks where no file of them lies."}
	}
	where := fmt.Sprintf("%s that no volume owns", disk.Counted(s.List.Looked-s.List.Free, "sector"))
	if s.List.Looked == s.List.Free {
		where = fmt.Sprintf("%s of volumes that no file uses", disk.Counted(s.List.Free, "sector"))
	} else if s.List.Free > 0 {
		where += fmt.Sprintf(" and %s that no file uses", disk.Grouped(s.List.Free))
	}
	if len(s.List.Tracks) == 0 {
		return []string{fmt.Sprintf("There is nothing that is sound by its own evidence in %s.", where)}
	}
	var seconds, silent float64
	var lost disk.Sector
	joined, pieces := 0, 0
	for i := range s.List.Tracks {
		t := &s.List.Tracks[i]
		seconds += t.Seconds
		if len(t.Pieces) > 1 {
			joined++
			pieces += len(t.Pieces)
		}
		for _, l := range t.Lost() {
			lost += l.Count
			silent += l.Seconds
		}
	}
	out := []string{fmt.Sprintf("%s of sound, %s, in %s.", disk.Counted(len(s.List.Tracks), "run"), seconds1(seconds),
		where)}
	if joined > 0 {
		out = append(out, fmt.Sprintf("%s put together from %s, by numbers on the disk that name them.",
			disk.Counted(joined, "run"), disk.Counted(pieces, "piece")))
	}
	if lost > 0 {
		out = append(out, fmt.Sprintf("%s missing in them, %s: silence where they are written.", disk.Counted(lost, "sector"),
			seconds1(silent)))
	}
	if s.Into != "" {
		out = append(out, s.writtenText()...)
	}
	return out
}

// writtenText says how many runs are in the folder, and how many it could not take.
func (s *Sounds) writtenText() (out []string) {
	written, left := 0, int64(0)
	for i, w := range s.Written {
		if w.Left == "" {
			written++
		} else {
			left += s.List.Tracks[i].Count
		}
	}
	line := fmt.Sprintf("%s written to %s", disk.Counted(written, "file"), s.Into)
	if !s.NoList {
		line += fmt.Sprintf("; %s/%s says what is in them", s.Into, SoundListName)
	}
	out = append(out, line+".")
	if n := len(s.Written) - written; n > 0 {
		out = append(out, fmt.Sprintf("%s, %s, left out: %s cannot take them. What was written is whole. To have all of "+
			"them, type the same with a new folder that has more room behind --to.", disk.Counted(n, "run"),
			disk.Counted(left, "byte"), s.Into))
	}
	return out
}

// played is a time of a recording, given in seconds, as a player shows it.
func played(s float64) string { return clock(time.Duration(s*float64(time.Second)), math.Floor) }

// seconds1 writes a length of time of sound: in seconds where that is short.
func seconds1(s float64) string {
	if s < 60 {
		return fmt.Sprintf("%.1f s", s)
	}
	return clock(time.Duration(s*float64(time.Second)), math.Round)
}

func (s *Sounds) head(u *talk.UI) {
	if len(s.List.Tracks) > 0 {
		u.Answerf("\n%5s %13s %12s %10s  %-24s %9s\n", "run", "sector", "sectors", "time", "what", "evidence")
	}
}

// soundRow is one run in one line of 80 cells.
func soundRow(t *tracks.Track) string {
	evidence := "asked for"
	if !t.Asked {
		evidence = bits(t.Evidence)
	}
	return fmt.Sprintf("%5d %13s %12s %10s  %-24s %9s", t.Number, disk.Grouped(t.First()), disk.Grouped(t.Sectors()),
		played(t.Seconds), soundWhat(t), evidence)
}

// bits writes an amount of evidence in nine cells.
func bits(n float64) string {
	switch {
	case n < 10_000:
		return fmt.Sprintf("%.0f bits", n)
	case n < 10_000_000:
		return fmt.Sprintf("%.0f kbit", n/1000)
	}
	return fmt.Sprintf("%.0f Mbit", n/1e6)
}

// soundWhat is the kind of a run, as short as it can be said.
func soundWhat(t *tracks.Track) string {
	f := t.Format
	rate := fmt.Sprint(f.Rate)
	if t.RateGuessed {
		rate += "?"
	}
	switch {
	case f.Bits == 0 || f.Codec != "":
		return fmt.Sprintf("%s %d ch %s", t.Kind, f.Channels, rate)
	case f.Bits == 8:
		return fmt.Sprintf("%s 8 bit %d ch %s", t.Kind, f.Channels, rate)
	}
	order := map[sound.Order]string{sound.Little: "le", sound.Big: "be"}[t.Order()]
	return fmt.Sprintf("%s %d%s %d ch %s", t.Kind, f.Bits, order, f.Channels, rate)
}

// soundDetails is what else there is to say of a run, with so many holes at most.
func soundDetails(t *tracks.Track, most int) []string {
	out := []string{sentenceOf(t.Why)}
	if f := t.Format; f.Bits > 0 && f.Codec == "" {
		out = append(out, soundFormat(t))
	}
	if t.RateGuessed {
		var others []string
		for _, r := range sound.UsualRates {
			if r != t.Format.Rate {
				others = append(others, fmt.Sprintf("at %d it is %s", r, seconds1(t.Seconds*float64(t.Format.Rate)/float64(r))))
			}
		}
		out = append(out, fmt.Sprintf("Nothing says the rate: %d is a guess; %s.", t.Format.Rate, strings.Join(others, ", ")))
	}
	switch {
	case t.Joined != "":
		out = append(out, sentenceOf(t.Joined))
	case t.Kind == sound.PCM && !t.Asked:
		out = append(out, "A piece: nothing on the disk was found that says what comes before or after it.")
	}
	if len(t.Pieces) > 1 {
		places := textsOf(t.Pieces, func(p *disk.Span) string { return p.String() })
		out = append(out, "Pieces in their order: "+strings.Join(someOf(places, most, "and %s more"), ", ")+".")
	}
	return append(out, someOf(textsOf(t.Lost(), func(l *tracks.Lost) string {
		return fmt.Sprintf("MISSING: %s from sector %s on, %.2f s at %s.", disk.Counted(l.Count, "sector"),
			disk.Grouped(l.Start), l.Seconds, played(l.From))
	}), most, "and %s more holes")...)
}

// soundFormat says how the samples lie.
func soundFormat(t *tracks.Track) string {
	f := t.Format
	text := fmt.Sprintf("%d bits", f.Bits)
	if f.Width*8 > f.Bits {
		text += fmt.Sprintf(" in %d", f.Width*8)
	}
	if f.Bits > 8 {
		text += ", byte order " + string(t.Order())
	}
	if f.Unsigned {
		text += ", unsigned"
	}
	text += ", " + disk.Counted(f.Channels, "channel")
	switch {
	case f.Block > 0:
		text += fmt.Sprintf(", %s of one channel after those of another", disk.Counted(f.Block, "byte"))
	case f.Channels > 1:
		text += ", one sample of each in turn"
	}
	if w := f.Swap.String(); w != "plain" {
		text += "; the words of the region are " + w
	}
	return sentenceOf(text)
}

// sentenceOf makes a sentence of a text.
func sentenceOf(s string) string {
	if s == "" {
		return s
	}
	return strings.TrimSuffix(strings.ToUpper(s[:1])+s[1:], ".") + "."
}

// SoundList is the list that lies beside the files.
func SoundList(s *Sounds) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Sound of %s outside the files of its volumes.\n", words.Printable(s.Name))
	for _, line := range s.verdict() {
		b.WriteString(words.Fold("", line))
	}
	for i := range s.List.Tracks {
		t := &s.List.Tracks[i]
		name := s.Written[i].Name
		if why := s.Written[i].Left; why != "" {
			name = "not written: " + leftText(why)
		}
		fmt.Fprintf(&b, "\n%s\n  run %d, from sector %s on, %s, byte %s of them, %s\n", name, t.Number,
			disk.Grouped(t.First()), disk.Counted(t.Sectors(), "sector"), disk.Grouped(t.Start%int64(t.Source.SectorSize())),
			disk.Counted(t.Count, "byte"))
		fmt.Fprintf(&b, "  %s, %s, %s\n", played(t.Seconds), soundWhat(t),
			soundEvidence(t))
		for _, line := range soundDetails(t, math.MaxInt-1) {
			b.WriteString(words.Fold("  ", words.Printable(line)))
		}
	}
	return b.String()
}

func soundEvidence(t *tracks.Track) string {
	if t.Asked {
		return "read as you asked for"
	}
	return bits(t.Evidence) + " of evidence beyond chance"
}

// SoundAnswer is the list as a page.
func SoundAnswer(s *Sounds) (a Answer) {
	a.Told = true
	a.Verdict = strings.Join(s.verdict(), " ")
	for i := range s.List.Tracks {
		t := &s.List.Tracks[i]
		p := report.NewPart(fmt.Sprintf("Run %d: sector %s, %s", t.Number, disk.Grouped(t.First()),
			played(t.Seconds)))
		if e := s.Envelopes[i]; len(e) > 0 {
			shape := &drawing.Envelope{Number: t.Number, Levels: e, Seconds: t.Seconds}
			p.Blocks = append(p.Blocks, report.Wave{Envelope: shape})
		}
		facts := []string{fmt.Sprintf("%s, %s, %s", soundWhat(t), disk.Counted(t.Sectors(), "sector"), soundEvidence(t))}
		p.Blocks = append(p.Blocks, report.List(append(facts, soundDetails(t, mostHoles)...)))
		a.First = append(a.First, p)
	}
	return a
}
