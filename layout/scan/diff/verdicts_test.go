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

func survey(t testing.TB, src image.Source) diff.Side {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return diff.Side{Source: src, Survey: s}
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

// provable is what the device did as far as it can be proved: a number of few
// digits is read by chance too, the more often the less is known of the drive.
// In a disk that was made new every place may hold one.
func (v *invented) provable(drive disk.Sector) []string {
	least := 6.7 // one in a hundred
	if drive == 0 {
		least = 14
		if slices.Contains(v.did, "new-format") {
			least = 22
		}
	}
	if v.bits == 0 || v.bits >= least {
		return v.did
	}
	return append(slices.DeleteFunc(slices.Clone(v.did), func(s string) bool { return s == "number" }), "number?", "counter?")
}

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

// drives are what is known of the drive that the card was planned from: its
// size, from the plan, or nothing, where only images are compared.
func drives(v *invented) []disk.Sector { return []disk.Sector{disk.Sector(v.drive), 0} }

// among says whether the number that the device wrote is among the readings,
// and how many others are called proved in the same bytes.
func (w *written) among(r *diff.Report) (right, wrong int) {
	for _, x := range r.Readings {
		if w == nil || !x.Proved() || int64(x.Sector) != w.sector || x.Byte > w.byte+16 || x.Byte+x.Width <= w.byte {
			continue
		}
		if x.Value == w.value {
			right++
		} else {
			wrong++
		}
	}
	return right, wrong
}

// TestVerdicts: what is said of invented devices is what they did, with and
// without a plan. One verdict in a hundred may be wrong by chance.
func TestVerdicts(t *testing.T) {
	t.Parallel()
	table := make([]tally, len(works))
	var all tally
	for _, seed := range need.Seeds(2, 100) {
		for i := range works {
			v := invent(seed, i)
			a, b := survey(t, v.disk(v.was)), survey(t, v.disk(v.is))
			for _, drive := range drives(v) {
				r, err := diff.Compare(t.Context(), a, b, diff.Options{Drive: drive})
				if err != nil {
					t.Fatal(err)
				}
				words := said(r)
				missed, wrong := judge(v.provable(drive), words)
				if right, other := v.number.among(r); other > 0 || right == 0 && v.bits > 0 && slices.Contains(words, "number") {
					wrong = append(wrong, "another number")
				}
				one := tally{right: 1}
				if len(wrong) > 0 {
					one = tally{wrong: 1}
				} else if len(missed) > 0 {
					one = tally{missed: 1}
				}
				if one.right == 0 {
					t.Logf("%s, drive of %d: missed %v, wrong %v", v.name, drive, missed, wrong)
				}
				table[i].add(one)
				all.add(one)
			}
		}
	}
	text := ""
	for i, w := range works {
		text += fmt.Sprintf("%-40s %4d right %4d missed %4d wrong\n", w.name, table[i].right, table[i].missed, table[i].wrong)
	}
	t.Logf("\n%s", text)
	if most := max(1, (all.right+all.missed)/100); all.wrong > most || all.missed > 3*most {
		t.Errorf("%d right, %d missed, %d wrong", all.right, all.missed, all.wrong)
	}
}

func (t *tally) add(o tally) {
	t.right, t.missed, t.wrong = t.right+o.right, t.missed+o.missed, t.wrong+o.wrong
}
