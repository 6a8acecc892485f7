package page

import (
	"fmt"
	"math"
	"strings"
	"time"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/safety/rescue"
)

// Files says which files there are, and what became of them; brief names only
// those that are not whole.
func Files(u *talk.UI, r *rescue.Result, into *rescue.Folder, brief bool) {
	if into != nil {
		showCopied(u, r, into)
	}
	heading := false
	for i := range r.Files {
		f := &r.Files[i]
		if brief && f.Whole() {
			continue
		}
		if !heading {
			u.Answerf("\n%15s  %-16s %s\n", "bytes", "SHA-256 begins", "volume:file")
			heading = true
		}
		u.Answerf("%15s  %-16.16s %d:%s\n", disk.Grouped(f.Size), f.SHA256, f.Volume, words.Printable(f.Path))
		for _, line := range damage(f, mostHoles) {
			u.Answerf("%15s  %s\n", "", line)
		}
	}
}

// FilesTitle says how many files there are, in so many volumes, and whether every
// one is whole.
func FilesTitle(u *talk.UI, name string, r *rescue.Result, volumes int) {
	if volumes == 0 {
		u.Answerf("%s:\n", name)
		u.Wrapped("", "There is no volume here whose files can be listed. What is copied is told sector by sector: by "+
			"survey of the drive, and by the plan.")
		return
	}
	u.Answerf("%s:\n%s, %s bytes, in %s that can be listed\n",
		name, disk.Counted(len(r.Files), "file"), disk.Grouped(r.Bytes), disk.Counted(volumes, "volume"))
	switch {
	case r.Damaged == 1:
		u.Answerf("1 of them is not whole.\n")
	case r.Damaged > 1:
		u.Answerf("%s of them are not whole.\n", disk.Grouped(r.Damaged))
	case len(r.Files) > 0 && !r.Incomplete:
		u.Answerf("Every one of them is whole.\n")
	}
}

// showCopied says what was copied, under which other names, and what became of
// the files that are not whole.
func showCopied(u *talk.UI, r *rescue.Result, into *rescue.Folder) {
	u.Answerf("%s copied to %s\n", disk.Counted(r.Copied, "file"), into.Dir)
	if len(into.Changed) > 0 {
		u.Answerf("%s not safe here, and changed:\n", disk.Counted(len(into.Changed), "name"))
		for _, c := range into.Changed {
			u.Answerf("  %s -> %s\n", words.Printable(c.Was), c.Is)
		}
	}
	if r.Zeroed > 0 {
		u.Wrapped("", fmt.Sprintf("%s of these not whole, with zeros in the holes; %s/%s names them.", disk.Grouped(r.Zeroed),
			into.Dir, DamagedName))
	}
	if left := r.Damaged - r.Zeroed; left > 0 {
		u.Wrapped("", fmt.Sprintf("%s not whole and left out; %s/%s names them. To copy such files with zeros in the holes: "+
			"--damaged zero",
			disk.Counted(left, "file"), into.Dir, DamagedName))
	}
}

// DamagedName is the list of damaged files in the folder of --to. Whatever a
// disk calls its files, they lie in folders beside it.
const DamagedName = "DAMAGED.txt"

// DamagedList is that list, empty if there is nothing to say.
func DamagedList(name string, r *rescue.Result) string {
	if r.Damaged == 0 && !r.Incomplete {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Files of %s that are not whole.\n", words.Printable(name))
	b.WriteString("Bytes of a file are counted from 0. Times are those of a recording.\n")
	for i := range r.Files {
		f := &r.Files[i]
		if f.Whole() {
			continue
		}
		fate := "not copied"
		if f.Written != "" {
			fate = "copied to " + f.Written + ", with zeros in the holes"
		}
		fmt.Fprintf(&b, "\nvolume-%d/%s\n  %s long; %s\n", f.Volume, words.Printable(f.Path), disk.Counted(f.Size, "byte"),
			fate)
		for _, line := range damage(f, math.MaxInt-1) {
			fmt.Fprintf(&b, "  %s\n", line)
		}
	}
	if r.Incomplete {
		b.WriteString("\nThere may be more files: not every folder could be read.\n")
		for _, f := range r.Findings {
			b.WriteString(words.Fold("  ", words.Printable(f.Text)))
		}
	}
	return b.String()
}

// mostHoles is how many holes of one file are shown; DAMAGED.txt and --json
// name them all.
const mostHoles = 4

// damage says what is wrong with a file, in at most so many lines for holes.
func damage(f *rescue.File, most int) []string {
	if f.Whole() {
		return nil
	}
	out := []string{fmt.Sprintf("NOT WHOLE: %s missing", disk.Counted(f.Lost(), "byte"))}
	if f.Fault != nil {
		out[0] += ": " + words.Printable(f.Fault.Error())
	}
	return append(out, someOf(textsOf(f.Missing, holeText), most, "  ... and %s more holes")...)
}

func holeText(h *rescue.Hole) string {
	text := fmt.Sprintf("  bytes %s to %s", disk.Grouped(h.Start), disk.Grouped(h.Start+h.Count-1))
	switch {
	case h.Time == nil:
		return text
	case h.Time.From == h.Time.To:
		return text + ", no sound in them"
	}
	return text + fmt.Sprintf(", sound from %s to %s", clock(h.Time.From, math.Floor), clock(h.Time.To, math.Ceil))
}

// clock writes a time of a recording as on a player, in tenths of a second:
// rounded so that a hole is never shown smaller than it is, but for less than a
// thousandth of a tenth.
func clock(t time.Duration, round func(float64) float64) string {
	d := time.Duration(round(math.Round(t.Seconds()*1e4)/1e3)) * 100 * time.Millisecond
	text := fmt.Sprintf("%02d:%04.1f", int(d.Minutes())%60, math.Mod(d.Seconds(), 60))
	if d >= time.Hour {
		return fmt.Sprintf("%d:%s", int(d.Hours()), text)
	}
	return text
}
