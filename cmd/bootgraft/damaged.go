package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/capture/audio"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/files"
)

// hole is a run of bytes of a file that cannot be had, and of a recording the
// time that it spoils, in seconds from its beginning.
type hole struct {
	Start int64    `json:"start"`
	Count int64    `json:"count"`
	From  *float64 `json:"from_seconds,omitempty"`
	To    *float64 `json:"to_seconds,omitempty"`
}

// mostHoles is how many holes of one file are shown; DAMAGED.txt and --json
// name them all.
const mostHoles = 4

// lost notes what is missing of a file; with listen also which seconds.
func (f *fileJSON) lost(of *files.File, listen bool) {
	ranges := make([]audio.Range, len(of.Missing))
	for i, m := range of.Missing {
		f.Missing = append(f.Missing, hole{Start: m.Start, Count: m.Count})
		ranges[i] = audio.Range(m)
	}
	if len(ranges) == 0 || of.Fault != nil || !listen {
		return
	}
	kind, times := audio.Times(of.Reader(), of.Size, ranges)
	f.Recording = kind
	for i, t := range times {
		from, to := t.From.Seconds(), t.To.Seconds()
		f.Missing[i].From, f.Missing[i].To = &from, &to
	}
}

// damage says what is wrong with a file, in at most so many lines for holes.
func (f *fileJSON) damage(most int) []string {
	if f.whole() {
		return nil
	}
	var lost int64
	for _, h := range f.Missing {
		lost += h.Count
	}
	out := []string{fmt.Sprintf("NOT WHOLE: %s missing", disk.Counted(lost, "byte"))}
	if f.Fault != "" {
		out[0] += ": " + words.Printable(f.Fault)
	}
	for i, h := range f.Missing {
		if i == most && len(f.Missing) > most+1 {
			return append(out, fmt.Sprintf("  ... and %s more holes", disk.Grouped(len(f.Missing)-i)))
		}
		out = append(out, "  "+h.text())
	}
	return out
}

func (h hole) text() string {
	text := fmt.Sprintf("bytes %s to %s", disk.Grouped(h.Start), disk.Grouped(h.Start+h.Count-1))
	if h.From == nil {
		return text
	}
	if *h.From == *h.To {
		return text + ", no sound in them"
	}
	return text + fmt.Sprintf(", sound from %s to %s", clock(*h.From, math.Floor), clock(*h.To, math.Ceil))
}

// clock writes a time of a recording as on a player, in tenths of a second:
// rounded so that a hole is never shown smaller than it is, but for less than a
// thousandth of a tenth.
func clock(seconds float64, round func(float64) float64) string {
	d := time.Duration(round(math.Round(seconds*1e4)/1e3)) * 100 * time.Millisecond
	text := fmt.Sprintf("%02d:%04.1f", int(d.Minutes())%60, math.Mod(d.Seconds(), 60))
	if d >= time.Hour {
		return fmt.Sprintf("%d:%s", int(d.Hours()), text)
	}
	return text
}

func notWhole(n int) string {
	if n == 1 {
		return "1 of them is"
	}
	return disk.Grouped(n) + " of them are"
}

// damagedName is the list of damaged files in the folder of --to. Whatever a
// disk calls its files, they lie in folders beside it.
const damagedName = "DAMAGED.txt"

// damageList writes the list of what is not whole beside the files that were
// copied out, if there is anything to say.
func (l *lister) damageList(name string) error {
	if l.out == nil || l.damaged == 0 && !l.incomplete {
		return nil
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Files of %s that are not whole.\n", words.Printable(name))
	b.WriteString("Bytes of a file are counted from 0. Times are those of a recording.\n")
	for _, f := range l.files {
		if f.whole() {
			continue
		}
		fmt.Fprintf(&b, "\nvolume-%d/%s\n  %s long; %s\n", f.Volume, words.Printable(f.Path), disk.Counted(f.Size, "byte"), f.fate())
		for _, line := range f.damage(math.MaxInt - 1) {
			fmt.Fprintf(&b, "  %s\n", line)
		}
	}
	if l.incomplete {
		b.WriteString("\nThere may be more files: not every folder could be read.\n")
		for _, f := range l.findings {
			b.WriteString(words.Fold("  ", words.Printable(f.Text)))
		}
	}
	return l.out.Write(damagedName, b.String())
}

// fate says whether a damaged file was copied.
func (f *fileJSON) fate() string {
	if f.Written == "" {
		return "not copied"
	}
	return "copied to " + f.Written + ", with zeros in the holes"
}

// sayDamaged says what became of the files that are not whole.
func (l *lister) sayDamaged() {
	if l.damaged == 0 {
		return
	}
	if l.zeroed > 0 {
		l.ui.Answerf("%s of these not whole, with zeros in the holes; %s/%s names them.\n", disk.Grouped(l.zeroed), l.out.Dir, damagedName)
	}
	if left := l.damaged - l.zeroed; left > 0 {
		l.ui.Answerf("%s not whole and left out; %s/%s names them. To copy such files\nwith zeros in the holes: --damaged zero\n", disk.Counted(left, "file"), l.out.Dir, damagedName)
	}
}
