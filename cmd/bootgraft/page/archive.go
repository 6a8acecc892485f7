package page

import (
	"fmt"
	"time"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety/archive"
)

// ArchiveMade says what lies in a new archive.
func ArchiveMade(u *talk.UI, dir string, files []archive.File, g *archive.Guide) {
	u.Answerf("%s\n", dir)
	for _, f := range files {
		u.Wrapped(fmt.Sprintf("  %15s  ", disk.Grouped(f.Bytes)), f.Name+": "+f.What)
	}
	if g.Card != "" {
		u.Wrapped("", "The finished card lies in it too: its plan makes bytes new, or copies more runs than "+
			"anybody would type.")
	}
	u.Next(archive.HowName+" says how to check it and make the card again with "+g.Needs()+" alone. To stick on the card:",
		g.Label)
	u.Next("In some years, and on every copy of it:", "bootgraft verify "+words.Shell(dir))
}

// ArchiveChecked says what an archive looks like today.
func ArchiveChecked(u *talk.UI, dir string, f *archive.Found) {
	u.Answerf("%s: %s in its list\n", dir, disk.Counted(f.Files, "file"))
	for _, p := range notAsWritten(f) {
		for _, name := range p.names {
			u.Answerf("  %-8s %s\n", p.what, words.Printable(name))
		}
	}
	if f.Whole() {
		u.Answerf("%s\n", asWritten)
	}
}

// asWritten is said of an archive that is whole.
const asWritten = "Every file is as it was written."

// namedFiles are files of which one thing is true.
type namedFiles struct {
	what  string
	names []string
}

// notAsWritten are the files of an archive that are not as they were written.
func notAsWritten(f *archive.Found) []namedFiles {
	return []namedFiles{{"damaged", f.Damaged}, {"missing", f.Missing}, {"added", f.Added}}
}

// LabelLine is what is written on the card itself: whose it is, when, how large, and the
// beginning of the check number of its plan.
func LabelLine(unit string, when time.Time, target plan.Size, digest string) string {
	return fmt.Sprintf("%s · %s · %s sectors · %s", words.Printable(unit), when.Format("2006-01-02"),
		disk.Grouped(target.Sectors), short(digest))
}

// FolderAnswer is what an archive looks like today, for a page to print.
func FolderAnswer(f *archive.Found) Answer {
	counts := report.NewTable("files> | are", []string{disk.Grouped(f.Files), "in its list"})
	var parts []report.Part
	for _, p := range notAsWritten(f) {
		n := disk.Grouped(len(p.names))
		counts.Add(n, p.what)
		parts = append(parts, report.Private(fmt.Sprintf("Files that are %s: %s", p.what, n), report.ListOf("file", p.names)))
	}
	return Answer{Verdict: asWritten, First: append([]report.Part{report.NewPart("What was compared", counts)}, parts...)}
}
