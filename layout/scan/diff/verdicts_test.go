package diff_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/diff"
)

func survey(t testing.TB, src image.Source) diff.Disk {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return diff.Disk{Source: src, Survey: s}
}

// said are the words of a report, as the inventor of a device would use them.
func said(r *diff.Report) (out []string) {
	for _, k := range r.Kinds {
		if k != diff.Untouched {
			out = append(out, string(k))
		}
	}
	return out
}

// tally is how often verdicts were right.
type tally struct{ right, missed, wrong int }

// judge compares what was said with what was done. A word with a question mark
// may be said or not.
func judge(did, said []string) (missed, wrong []string) {
	for _, w := range did {
		if !strings.HasSuffix(w, "?") && !slices.Contains(said, w) {
			missed = append(missed, w)
		}
	}
	for _, w := range said {
		if !slices.Contains(did, w) && !slices.Contains(did, w+"?") {
			wrong = append(wrong, w)
		}
	}
	return missed, wrong
}

// TestVerdicts: what is said of invented devices is what they did.
func TestVerdicts(t *testing.T) {
	t.Parallel()
	table := make([]tally, len(works))
	for _, seed := range need.Seeds(8, 150) {
		for i := range works {
			v := invent(seed, i)
			a, b := survey(t, v.disk(v.was)), survey(t, v.disk(v.is))
			r, err := diff.Compare(t.Context(), a, b, diff.Options{Drive: disk.Sector(v.drive)})
			if err != nil {
				t.Fatal(err)
			}
			missed, wrong := judge(v.did, said(r))
			switch {
			case len(wrong) > 0:
				table[i].wrong++
			case len(missed) > 0:
				table[i].missed++
			default:
				table[i].right++
			}
			if len(missed)+len(wrong) > 0 {
				t.Logf("%s: missed %v, wrong %v", v.name, missed, wrong)
			}
		}
	}
	text := ""
	for i, w := range works {
		text += fmt.Sprintf("%-40s %4d right %4d missed %4d wrong\n", w.name, table[i].right, table[i].missed, table[i].wrong)
	}
	t.Logf("\n%s", text)
}
