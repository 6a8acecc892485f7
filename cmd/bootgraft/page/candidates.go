package page

import (
	"fmt"
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
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
		{"table", throughRows(o)}, {"byte order", orderRows(o)}, {"copy", mirrorRows(o)},
		{"number", fieldRows(o)}, {"chain", chainRows(o)}, {"checksum", sumRows(o)},
	} {
		for i, row := range k.rows {
			if i == maxCandidateRows {
				u.Answerf("  %-11s... and %s more; all of them with --json\n", "", disk.Grouped(len(k.rows)-i))
				break
			}
			u.Wrapped(fmt.Sprintf("  %-11s", k.name), row)
		}
	}
	u.Wrapped("",
		"end-1 is the last sector of the disk, end-2 the one before. One drive proves nothing: each of these may be chance. "+
			"Its line says how many like it chance alone would give on such a disk. With several drives of the model, "+
			"compare them:")
	u.Answerf("\n  bootgraft compare A B\n")
}

// chance writes how many hits are expected by chance.
func chance(v float64) string {
	if v < 1e-6 {
		return "by chance fewer than 0.000001"
	}
	return "by chance " + strings.TrimRight(strconv.FormatFloat(v, 'f', 6, 64), "0")
}

func throughRows(o *scan.Outside) (out []string) {
	for _, t := range o.Through {
		out = append(out, t.Text())
	}
	return out
}

func orderRows(o *scan.Outside) (out []string) {
	for _, r := range o.Orders {
		if r.Order != image.Plain.String() {
			out = append(out, fmt.Sprintf("sectors %s may be %s: %s (%s)", r.Span, r.Order, r.Evidence[0], chance(r.ByChance)))
		}
	}
	return out
}

func mirrorRows(o *scan.Outside) (out []string) {
	for _, m := range o.Copies {
		out = append(out, fmt.Sprintf("%s (%s)", m.Text(), chance(m.ByChance)))
	}
	return out
}

func fieldRows(o *scan.Outside) (out []string) {
	for _, f := range o.Fields {
		inside := ""
		if f.Inside {
			inside = ", inside a partition"
		}
		out = append(out, fmt.Sprintf("sector %s, byte %d%s, %s: %s, which may stand for: %s (%s)", disk.Grouped(f.Sector),
			f.Offset, inside, candidate.Encoding(f.Encoding).Text(), disk.Grouped(int64(f.Value)), f.Meaning,
			chance(f.ByChance)))
	}
	return out
}

func chainRows(o *scan.Outside) (out []string) {
	for _, c := range o.Chains {
		out = append(out, fmt.Sprintf("%s (%s)", c.Text(), chance(c.ByChance)))
	}
	return out
}

func sumRows(o *scan.Outside) (out []string) {
	for _, c := range o.Checksums {
		out = append(out, fmt.Sprintf("%s (%s)", c.Text(), chance(c.ByChance)))
	}
	return out
}
