package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"bootgraft/image/capture/audio"
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

// zeroed returns the bytes of a file, with zeros for those that are missing.
func zeroed(f *files.File) io.Reader {
	content := f.Reader()
	var parts []io.Reader
	at := int64(0)
	for _, m := range f.Missing {
		from, to := max(at, m.Start), max(at, m.Start+m.Count)
		parts = append(parts, io.NewSectionReader(content, at, from-at), io.LimitReader(zeros{}, to-from))
		at = to
	}
	return io.MultiReader(append(parts, io.NewSectionReader(content, at, f.Size-at))...)
}

// zeros reads as zeros without end.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
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
	out := []string{fmt.Sprintf("NOT WHOLE: %s missing", counted(lost, "byte"))}
	if f.Fault != "" {
		out[0] += ": " + printable(f.Fault)
	}
	for i, h := range f.Missing {
		if i == most && len(f.Missing) > most+1 {
			return append(out, fmt.Sprintf("  ... and %s more holes", grouped(len(f.Missing)-i)))
		}
		out = append(out, "  "+h.text())
	}
	return out
}

func (h hole) text() string {
	text := fmt.Sprintf("bytes %s to %s", grouped(h.Start), grouped(h.Start+h.Count-1))
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
	return grouped(n) + " of them are"
}

// damagedName is the list of damaged files in the folder of --to. Whatever a
// disk calls its files, they lie in folders beside it.
const damagedName = "DAMAGED.txt"

// damageList writes the list of what is not whole beside the files that were
// copied out, if there is anything to say.
func (l *lister) damageList(name string) error {
	if l.out == nil || l.damaged == 0 && !l.incomplete() {
		return nil
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Files of %s that are not whole.\n", printable(name))
	b.WriteString("Bytes of a file are counted from 0. Times are those of a recording.\n")
	for _, f := range l.files {
		if f.whole() {
			continue
		}
		fmt.Fprintf(&b, "\nvolume-%d/%s\n  %s long; %s\n", f.Volume, printable(f.Path), counted(f.Size, "byte"), f.fate())
		for _, line := range f.damage(math.MaxInt - 1) {
			fmt.Fprintf(&b, "  %s\n", line)
		}
	}
	if l.incomplete() {
		b.WriteString("\nThere may be more files: not every folder could be read.\n")
		for _, f := range l.findings {
			b.WriteString(fold("  ", printable(f.Text)))
		}
	}
	return l.out.write(damagedName, b.String())
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
		l.ui.answerf("%s of these not whole, with zeros in the holes; %s/%s names them.\n", grouped(l.zeroed), l.out.dir, damagedName)
	}
	if left := l.damaged - l.zeroed; left > 0 {
		l.ui.answerf("%s not whole and left out; %s/%s names them. To copy such files\nwith zeros in the holes: --damaged zero\n", counted(left, "file"), l.out.dir, damagedName)
	}
}
