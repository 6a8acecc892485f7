package page

import (
	"fmt"
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan"
)

// maxCandidateRows is how many of each kind a person is shown.
const maxCandidateRows = 6

// Candidates lists what may be structure outside the volumes.
func Candidates(u *talk.UI, o *scan.Outside) {
	if !o.Candidates() && len(o.Through) == 0 {
		return
	}
	u.Answerf("\nCandidates outside the volumes:\n")
	for _, k := range []struct {
		name string
		rows []string
	}{
		{"table", textsOf(o.Through, (*scan.Through).Text)}, {"byte order", orderRows(o)},
		{"copy", textsOf(o.Copies, func(m *candidate.Copy) string { return likely(m.Text(), m.ByChance) })},
		{"number", textsOf(o.Fields, fieldText)},
		{"chain", textsOf(o.Chains, func(c *candidate.Chain) string { return likely(c.Text(), c.ByChance) })},
		{"checksum", textsOf(o.Checksums, func(c *candidate.Checksum) string { return likely(c.Text(), c.ByChance) })},
	} {
		for _, row := range someOf(k.rows, maxCandidateRows, "... "+restInJSON) {
			u.Wrapped(fmt.Sprintf("  %-11s", k.name), row)
		}
	}
	u.Wrapped("",
		"end-1 is the last sector of the disk, end-2 the one before. One drive proves nothing: each of these may be chance. "+
			"Its line says how many like it chance alone would give on such a disk. With several drives of the model, "+
			"compare them:")
	u.Answerf("\n  bootgraft compare A B\n")
}

// likely adds to what was found how many like it are expected by chance.
func likely(text string, byChance float64) string {
	chance := "fewer than 0.000001"
	if byChance >= 1e-6 {
		chance = strings.TrimRight(strconv.FormatFloat(byChance, 'f', 6, 64), "0")
	}
	return fmt.Sprintf("%s (by chance %s)", text, chance)
}

// textsOf says a sentence of each.
func textsOf[T any](all []T, text func(*T) string) (out []string) {
	for i := range all {
		out = append(out, text(&all[i]))
	}
	return out
}

func orderRows(o *scan.Outside) (out []string) {
	for _, r := range o.Orders {
		if r.Order != image.Plain.String() {
			out = append(out, likely(fmt.Sprintf("sectors %s may be %s: %s", r.Span, r.Order, r.Evidence[0]), r.ByChance))
		}
	}
	return out
}

func fieldText(f *layout.Field) string {
	inside := ""
	if f.Inside {
		inside = ", inside a partition"
	}
	return likely(fmt.Sprintf("sector %s, byte %d%s, %s: %s, which may stand for: %s", disk.Grouped(f.Sector), f.Offset,
		inside, candidate.Encoding(f.Encoding).Text(), disk.Grouped(int64(f.Value)), f.Meaning), f.ByChance)
}
