package page

import (
	"bytes"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
	"bootgraft/layout/scan/diff"
)

// shown is what an answer says on a terminal and on a page to print, a blank between words.
func shown(screen func(u *talk.UI), a Answer) map[string]string {
	var out bytes.Buffer
	screen(&talk.UI{Out: &out})
	page := OutcomeReport(Outcome{Answer: a, Title: "x"}, nil, nil).Plain()
	return map[string]string{"terminal": strings.Join(strings.Fields(out.String()), " "),
		"page": strings.Join(strings.Fields(string(page)), " ")}
}

// TestWhyTheRecordNamesNoSum: terminal and page name the same reason.
func TestWhyTheRecordNamesNoSum(t *testing.T) {
	for want, c := range map[string]*capture.Check{
		"two captures were merged into it":        {Merged: true},
		"the last run left that out":              {Complete: true},
		"the capture was not brought to its end.": {},
	} {
		if state := ArchiveAnswer(c).State; (state == "") != (c.Merged || c.Complete) {
			t.Errorf("%q, and the state is %q", want, state)
		}
		for form, text := range shown(func(u *talk.UI) { Archive(u, "old.img", c) }, ArchiveAnswer(c)) {
			if !strings.Contains(text, "The record names none for the whole file: "+want) {
				t.Errorf("%s: %q is not said:\n%s", form, want, text)
			}
		}
	}
}

// TestNewVolumesAreNoNewFormat: where volumes alone were made new, neither terminal nor page
// nor the first screen says that the device made a layout of its own.
func TestNewVolumesAreNoNewFormat(t *testing.T) {
	r := &diff.Report{Sectors: 100, Kinds: []diff.Kind{diff.NewFormat, diff.NewVolume}, Volumes: []diff.MadeVolume{{Index: 1, Kind: "fat32"}}}
	forms := shown(func(u *talk.UI) { Changed(u, "a", "b", r, "") }, ChangedAnswer(r, "", Advice{}))
	forms["first screen"] = strings.Join(ChangedBrief(r, "", Advice{}).Verdict, " ")
	for form, text := range forms {
		if strings.Contains(text, "did not know the layout") || !strings.Contains(text, "A volume was made new") {
			t.Errorf("%s:\n%s", form, text)
		}
	}
}
