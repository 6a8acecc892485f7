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
// those that are not whole or were left out. again is the command that copies them
// into another folder.
func Files(u *talk.UI, r *rescue.Result, into *rescue.Folder, brief bool, again string) {
	if into != nil {
		showCopied(u, r, into)
		showLeft(u, r, into, again)
	}
	heading := false
	for i := range r.Files {
		f := &r.Files[i]
		if brief && f.Whole() && f.Left == "" {
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
		if f.Left != "" {
			u.Answerf("%15s  LEFT OUT: %s\n", "", leftText(f.Left))
		}
	}
}

// leftText says what a folder lacks for a file.
func leftText(why rescue.Left) string {
	switch why {
	case rescue.TooBig:
		return "no file of that size can be made there"
	case rescue.BadName:
		return "no file of that name can be made there"
	}
	return "there was no room for it"
}

// RoomWanted says before files are copied that not all of them fit; it is empty if they do.
func RoomWanted(n rescue.Need, free int64, dir, again string) string {
	if n.Bytes <= free {
		return ""
	}
	return words.Fold("", fmt.Sprintf("warning: %s to copy need %s, and %s has %s left. What does not fit is left out "+
		"and named. To have all of them, stop it and give a new folder where there is more room:",
		disk.Counted(n.Files, "file"), disk.Counted(n.Bytes, "byte"), dir, disk.Grouped(free))) + "\n  " + again + "\n"
}

// showLeft says which files the folder could not take, and where they can go.
func showLeft(u *talk.UI, r *rescue.Result, into *rescue.Folder, again string) {
	if into.NoList {
		u.Wrapped("", fmt.Sprintf("there was no room for %s/%s: what it would say is said here.", into.Dir, DamagedName))
	}
	if r.Untimed > 0 {
		u.Wrapped("", fmt.Sprintf("%s could not be given the time of the original; the bytes are there.",
			disk.Counted(r.Untimed, "file")))
	}
	if r.Left == 0 {
		return
	}
	u.Wrapped("", fmt.Sprintf("%s, %s, left out, for %s cannot take them: below it is said of each why. What was copied "+
		"is whole. All of them once more, into a new folder that has the room:", disk.Counted(r.Left, "file"),
		disk.Counted(r.LeftBytes, "byte"), into.Dir))
	u.Answerf("\n  %s\n", again)
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
		u.Wrapped("", fmt.Sprintf("%s of these not whole, with zeros in the holes%s.", disk.Grouped(r.Zeroed), named(into)))
	}
	if left := skipped(r); left > 0 {
		u.Wrapped("", fmt.Sprintf("%s not whole and left out%s. To copy such files with zeros in the holes: "+
			"--damaged zero", disk.Counted(left, "file"), named(into)))
	}
}

// named says where files are named, if there was room for the list.
func named(into *rescue.Folder) string {
	if into.NoList {
		return ""
	}
	return fmt.Sprintf("; %s/%s names them", into.Dir, DamagedName)
}

// skipped counts the files that are not whole and that nobody tried to copy.
func skipped(r *rescue.Result) (n int) {
	for i := range r.Files {
		if f := &r.Files[i]; !f.Whole() && f.Written == "" && f.Left == "" {
			n++
		}
	}
	return n
}

// DamagedName is the list of damaged files in the folder of --to. Whatever a
// disk calls its files, they lie in folders beside it.
const DamagedName = "DAMAGED.txt"

// DamagedList is that list, empty if there is nothing to say.
func DamagedList(name string, r *rescue.Result) string {
	if r.Damaged == 0 && !r.Incomplete && r.Left == 0 {
		return ""
	}
	var b strings.Builder
	what := "that are not whole"
	if r.Left > 0 {
		what += ", or for which there was no place here"
	}
	fmt.Fprintf(&b, "Files of %s %s.\n", words.Printable(name), what)
	b.WriteString("Bytes of a file are counted from 0. Times are those of a recording.\n")
	for i := range r.Files {
		f := &r.Files[i]
		if f.Whole() && f.Left == "" {
			continue
		}
		fate := "not copied"
		if f.Left != "" {
			fate += ": " + leftText(f.Left)
		}
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
