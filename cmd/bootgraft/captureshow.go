package main

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

type captureJSON struct {
	Schema   int            `json:"schema"`
	Sectors  disk.Sector    `json:"sectors"`
	Read     disk.Sector    `json:"read"`
	Missing  []disk.Span    `json:"missing"`
	Unread   []disk.Span    `json:"unread"`
	Skipped  []disk.Span    `json:"skipped"`
	Unstable []disk.Span    `json:"unstable"`
	Hung     []disk.Span    `json:"hung"`
	SHA256   *string        `json:"sha256"`
	Stopped  string         `json:"stopped,omitempty"`
	Reads    int64          `json:"reads"`
	Errors   int64          `json:"failed_reads"`
	Findings []disk.Finding `json:"findings"`
}

// captured says what is safe and how the program ends.
func captured(u *talk.UI, args []string, r *capture.Result, src image.Source) error {
	j := captureJSON{
		Schema: schema, Sectors: r.Sectors, Read: r.Read, Stopped: string(r.Stop), Reads: r.Clock.Reads, Errors: r.Clock.Errors,
		Missing: spansObject(r.Missing), Unread: spansObject(r.Unread), Skipped: spansObject(r.Skipped),
		Unstable: spansObject(r.Unstable), Hung: spansObject(r.Hung), Findings: append([]disk.Finding{}, r.Findings...),
	}
	if r.SHA256 != nil {
		text := r.SHA256.String()
		j.SHA256 = &text
	}
	if err := u.Object(document.KindCapture, j); err != nil {
		return err
	}
	u.Answerf("%s\n%s of %s read\n", args[1], disk.Counted(r.Read, "sector"), disk.Grouped(r.Sectors))
	for _, s := range []struct {
		name  string
		spans disk.Spans
	}{
		{"missing: tried, and the drive failed", r.Missing}, {"unread: not tried", r.Unread}, {"skipped: left out as asked", r.Skipped},
		{"unstable: answered differently, the most frequent answer is kept", r.Unstable},
	} {
		if n := s.spans.Sectors(); n > 0 {
			u.Answerf("%s %s\n", disk.Counted(n, "sector"), s.name)
			showSpans(u, s.spans)
		}
	}
	showClasses(u, r, src.SectorSize())
	if j.SHA256 != nil {
		u.Answerf("SHA-256 of the image file as it lies:\n  %s\n", *j.SHA256)
	}
	if len(r.Findings) > 0 {
		showFindings(u, r.Findings)
	}
	return captureEnd(u, args, r)
}

func spansObject(s disk.Spans) []disk.Span { return append([]disk.Span{}, s...) }

// showSpans lists the first spans of a set.
func showSpans(u *talk.UI, spans disk.Spans) {
	for i, s := range spans {
		if i == 8 && len(spans) > 9 {
			u.Answerf("%15s ... and %s more runs\n", "", disk.Grouped(len(spans)-i))
			return
		}
		u.Answerf("%15s %15s\n", disk.Grouped(s.Start), "+"+disk.Grouped(s.Count))
	}
}

// showClasses says what is left undone, in order of worth.
func showClasses(u *talk.UI, r *capture.Result, sectorSize int) {
	u.Answerf("\n%-13s %12s %12s %12s\n", "", "safe", "lost", "to come")
	for _, c := range capture.Classes {
		if t := r.Classes[c]; t.Total > 0 {
			n := int64(sectorSize)
			u.Answerf("%-13s %12s %12s %12s\n", c, disk.BytesText(int64(t.Safe)*n), disk.BytesText(int64(t.Lost)*n), disk.BytesText(int64(t.Left())*n))
		}
	}
}

// stopTexts say what to do after a run that ended early.
var stopTexts = map[capture.Stop]string{
	capture.DriveGone:    "the drive is gone; plug it in again and type the same command",
	capture.DriveChanged: "this is not the same drive any more",
	capture.DriveHangs:   "stopped while the drive did not answer; cut its power, wait a minute, and type the same command",
	capture.TimeSpent:    "the time is spent; the same command goes on",
	capture.BadSpent:     "so many reads have failed as were allowed; the same command goes on",
	capture.Interrupted:  "stopped in good order; the same command goes on",
	capture.NoSpace:      "the disk of the image is full; make room and type the same command",
	capture.ImageChanged: "the image was changed by something else since the drive was read; what was changed counts as unread again, and the same command reads it anew if the drive still answers",
}

// notSafe counts the sectors that could not be had, or not for certain.
func notSafe(r *capture.Result) string {
	var out []string
	for _, p := range []struct {
		spans disk.Spans
		are   string
	}{{r.Missing, "missing"}, {r.Unstable, "unstable"}, {r.Hung, "not tried because the drive hung"}} {
		if n := p.spans.Sectors(); n > 0 {
			out = append(out, disk.Grouped(n)+" "+p.are)
		}
	}
	return strings.Join(out, ", ")
}

func captureEnd(u *talk.UI, args []string, r *capture.Result) error {
	if r.Stop == capture.DriveChanged {
		return talk.Coded(talk.ExitStopped, fmt.Errorf("%s: %s. What was read since it was last compared counts as unread. Connect the drive that the capture was begun with, and type the same command", stopTexts[r.Stop], r.Why))
	}
	if r.Stop != capture.Done {
		return talk.Coded(talk.ExitStopped, fmt.Errorf("%s", stopTexts[r.Stop]))
	}
	u.Answerf("\nKeep %s and %s%s together. Next:\n\n  bootgraft survey %s\n", args[1], args[1], capture.RecordSuffix, words.Shell(args[1]))
	if n := r.Hung.Sectors(); n > 0 {
		u.Wrapped("", fmt.Sprintf("The drive stopped answering in %s, which were left alone since. To try them one by one, at the risk of stopping it again, add --retry-hung.", disk.Counted(n, "sector")))
	}
	if len(r.Missing) > 0 || len(r.Unstable) > 0 || len(r.Hung) > 0 {
		return talk.Coded(talk.ExitIncomplete, fmt.Errorf("done, but not every sector is safe: %s", notSafe(r)))
	}
	return nil
}
