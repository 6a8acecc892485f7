package main

import (
	"fmt"
	"strings"

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
func (u *ui) captured(args []string, r *capture.Result, src image.Source) error {
	j := captureJSON{
		Schema: schema, Sectors: r.Sectors, Read: r.Read, Stopped: string(r.Stop), Reads: r.Clock.Reads, Errors: r.Clock.Errors,
		Missing: spansObject(r.Missing), Unread: spansObject(r.Unread), Skipped: spansObject(r.Skipped),
		Unstable: spansObject(r.Unstable), Hung: spansObject(r.Hung), Findings: append([]disk.Finding{}, r.Findings...),
	}
	if r.SHA256 != nil {
		text := r.SHA256.String()
		j.SHA256 = &text
	}
	if err := u.object(j); err != nil {
		return err
	}
	u.answerf("%s\n%s of %s read\n", args[1], counted(r.Read, "sector"), grouped(r.Sectors))
	for _, s := range []struct {
		name  string
		spans disk.Spans
	}{
		{"missing: tried, and the drive failed", r.Missing}, {"unread: not tried", r.Unread}, {"skipped: left out as asked", r.Skipped},
		{"unstable: answered differently, the most frequent answer is kept", r.Unstable},
	} {
		if n := s.spans.Sectors(); n > 0 {
			u.answerf("%s %s\n", counted(n, "sector"), s.name)
			u.showSpans(s.spans)
		}
	}
	u.showClasses(r, src.SectorSize())
	if j.SHA256 != nil {
		u.answerf("SHA-256 of the image file as it lies:\n  %s\n", *j.SHA256)
	}
	if len(r.Findings) > 0 {
		u.showFindings(r.Findings)
	}
	return u.captureEnd(args, r)
}

func spansObject(s disk.Spans) []disk.Span { return append([]disk.Span{}, s...) }

// showSpans lists the first spans of a set.
func (u *ui) showSpans(spans disk.Spans) {
	for i, s := range spans {
		if i == 8 && len(spans) > 9 {
			u.answerf("%15s ... and %s more runs\n", "", grouped(len(spans)-i))
			return
		}
		u.answerf("%15s %15s\n", grouped(s.Start), "+"+grouped(s.Count))
	}
}

// showClasses says what is left undone, in order of worth.
func (u *ui) showClasses(r *capture.Result, sectorSize int) {
	u.answerf("\n%-13s %12s %12s %12s\n", "", "safe", "lost", "to come")
	for _, c := range capture.Classes {
		if t := r.Classes[c]; t.Total > 0 {
			n := int64(sectorSize)
			u.answerf("%-13s %12s %12s %12s\n", c, bytesText(int64(t.Safe)*n), bytesText(int64(t.Lost)*n), bytesText(int64(t.Left())*n))
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
			out = append(out, grouped(n)+" "+p.are)
		}
	}
	return strings.Join(out, ", ")
}

func (u *ui) captureEnd(args []string, r *capture.Result) error {
	if r.Stop == capture.DriveChanged {
		return coded(exitStopped, fmt.Errorf("%s: %s. What was read since it was last compared counts as unread. Connect the drive that the capture was begun with, and type the same command", stopTexts[r.Stop], r.Why))
	}
	if r.Stop != capture.Done {
		return coded(exitStopped, fmt.Errorf("%s", stopTexts[r.Stop]))
	}
	u.answerf("\nKeep %s and %s%s together. Next:\n\n  bootgraft survey %s\n", args[1], args[1], capture.RecordSuffix, shellWord(args[1]))
	if n := r.Hung.Sectors(); n > 0 {
		u.wrapped("", fmt.Sprintf("The drive stopped answering in %s, which were left alone since. To try them one by one, at the risk of stopping it again, add --retry-hung.", counted(n, "sector")))
	}
	if len(r.Missing) > 0 || len(r.Unstable) > 0 || len(r.Hung) > 0 {
		return coded(exitIncomplete, fmt.Errorf("done, but not every sector is safe: %s", notSafe(r)))
	}
	return nil
}
