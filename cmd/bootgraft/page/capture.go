package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/ata"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// Capture says what is safe of a drive, and what is not.
func Capture(u *talk.UI, img string, r *capture.Result, sectorSize int) {
	u.Answerf("%s\n%s of %s read\n", img, disk.Counted(r.Read, "sector"), disk.Grouped(r.Sectors))
	for _, s := range captureStates(r) {
		if n := s.spans.Sectors(); n > 0 {
			u.Answerf("%s %s\n", disk.Counted(n, "sector"), s.are)
			Spans(u, s.spans)
		}
	}
	showClasses(u, r, sectorSize)
	if r.SHA256 != nil {
		showSum(u, "", sumOfImage, r.SHA256.String())
	}
	if len(r.Findings) > 0 {
		Findings(u, r.Findings)
	}
}

// What a SHA-256 is of.
const (
	sumOfImage    = "SHA-256 of the image file as it lies"
	sumOfFile     = "SHA-256 of the file as it lies"
	sumOfWritten  = "SHA-256 of all sectors but those not touched"
	sumOfCompared = "SHA-256 of the compared sectors"
)

// showSum shows it, if there is one.
func showSum(u *talk.UI, indent, name, sum string) {
	if sum != "" {
		u.Answerf("%s%s:\n  %s\n", indent, name, sum)
	}
}

// captureState is a set of sectors that are not simply safe.
type captureState struct {
	are   string
	spans disk.Spans
}

// captureStates are the sectors of a capture by what became of them, but for those that
// were read; the sets may be empty.
func captureStates(r *capture.Result) []captureState {
	return []captureState{
		{"missing: tried, and the drive failed", r.Missing}, {"unread: not tried", r.Unread},
		{"skipped: left out as asked", r.Skipped},
		{"unstable: answered differently, the most frequent answer is kept", r.Unstable},
	}
}

// Spans lists the first spans of a set.
func Spans(u *talk.UI, spans disk.Spans) {
	list := textsOf(spans, func(s *disk.Span) string {
		return fmt.Sprintf("%15s %15s", disk.Grouped(s.Start), "+"+disk.Grouped(s.Count))
	})
	for _, line := range someOf(list, 8, strings.Repeat(" ", 16)+"... and %s more runs") {
		u.Answerf("%s\n", line)
	}
}

// showClasses says what is left undone, in order of worth; of a merge nothing is known of that.
func showClasses(u *talk.UI, r *capture.Result, sectorSize int) {
	if len(r.Classes) == 0 {
		return
	}
	t := report.NewTable("<18 | safe>12 | lost>12 | to come>12")
	for _, c := range capture.Classes {
		if k := r.Classes[c]; k.Total > 0 {
			n := int64(sectorSize)
			t.Add(classTexts[c], disk.BytesText(int64(k.Safe)*n), disk.BytesText(int64(k.Lost)*n),
				disk.BytesText(int64(k.Left())*n))
		}
	}
	u.Answerf("\n%s", t.Screen())
}

// StopTexts say what to do after a run that ended early.
var StopTexts = map[capture.Stop]string{
	capture.DriveGone:    "the drive is gone; plug it in again and type the same command",
	capture.DriveChanged: "this is not the same drive any more",
	capture.DriveHangs: "stopped while the drive did not answer; cut its power, wait a minute, and type the " +
		"same command",
	capture.TimeSpent:   "the time is spent; the same command goes on",
	capture.BadSpent:    "so many reads have failed as were allowed; the same command goes on",
	capture.Interrupted: "stopped in good order; the same command goes on",
	capture.NoSpace:     "the disk of the image is full; make room and type the same command",
	capture.ImageChanged: "the image was changed by something else since the drive was read; " +
		"what was changed counts as unread again, and the same command reads it anew if the drive still answers",
}

// NotSafe counts the sectors that could not be had, or not for certain.
func NotSafe(r *capture.Result) string {
	var out []string
	for _, s := range []captureState{{"missing", r.Missing}, {"unstable", r.Unstable},
		{"not tried because the drive hung", r.Hung}} {
		if n := s.spans.Sectors(); n > 0 {
			out = append(out, disk.Grouped(n)+" "+s.are)
		}
	}
	return strings.Join(out, ", ")
}

// CaptureAnswer is what is safe of a drive, and what is not, for a page to print.
func CaptureAnswer(r *capture.Result, said ata.Drive) Answer {
	a := Answer{Findings: r.Findings,
		Verdict: fmt.Sprintf("%s of %s are read.", disk.Grouped(r.Read), disk.Counted(r.Sectors, "sector"))}
	t := report.NewTable("sectors> | are | where", []string{disk.Grouped(r.Read), "read", ""})
	var means report.List
	for _, s := range captureStates(r) {
		if n := s.spans.Sectors(); n > 0 {
			word, _, _ := strings.Cut(s.are, ":")
			t.Add(disk.Grouped(n), word, spanList(s.spans))
			means = append(means, s.are)
		}
	}
	reads, sum := report.Text(""), ""
	if r.Clock.Errors > 0 {
		reads = report.Textf("%s of the drive, %s of them failed.", disk.Counted(r.Clock.Reads, "read"),
			disk.Grouped(r.Clock.Errors))
	}
	if r.SHA256 != nil {
		sum = r.SHA256.String()
	}
	a.First = []report.Part{report.NewPart("What was read", t, means, reads, report.Text(DriveLine(said)),
		report.Valued(sumOfImage, sum))}
	worth := report.NewTable("what | sectors> | safe> | lost> | left out> | to come>")
	for _, c := range capture.Classes {
		if k := r.Classes[c]; k.Total > 0 {
			worth.Add(classTexts[c], disk.Grouped(k.Total), disk.Grouped(k.Safe), disk.Grouped(k.Lost),
				disk.Grouped(k.Skipped), disk.Grouped(k.Left()))
		}
	}
	a.Then = []report.Part{report.NewPart("In the order in which it was read", worth)}
	return a
}

// MergedPart is what each of two captures gave. a and b are what they are called.
func MergedPart(m *capture.Merged, a, b string) report.Part {
	both := report.Text("")
	if n := m.Contradictions.Sectors(); n > 0 {
		both = report.Textf("%s known in both and different; those of %s were taken: %s.", disk.Counted(n, "sector"), a,
			spanList(m.Contradictions))
	}
	return report.NewPart("Where its sectors come from", report.NewTable("sectors> | from",
		[]string{disk.Grouped(m.FromA), a}, []string{disk.Grouped(m.FromB), b}), both)
}
