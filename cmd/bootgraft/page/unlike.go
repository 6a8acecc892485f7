package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// Unlike says in what a plan differs from another one that was made by the same
// decisions.
func Unlike(u *talk.UI, name string, old, now *plan.Plan) {
	var out []string
	differ := func(what string, a, b disk.Sector) {
		if a != b {
			out = append(out, fmt.Sprintf("%s: %s there, %s here", what, disk.Grouped(a), disk.Grouped(b)))
		}
	}
	differ("sectors of the card", old.Target.Sectors, now.Target.Sectors)
	differ("sectors of the drive", old.Source.Sectors, now.Source.Sectors)
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero, layout.Leave} {
		differ("sectors that are "+opWords[op], sectorsOf(old, op), sectorsOf(now, op))
	}
	differ("sectors of the drive that stay behind", behind(old), behind(now))
	if old.Source.Digest != now.Source.Digest {
		out = append(out, "the drive: its tables differ, it is another unit or was changed")
	}
	for _, c := range []struct {
		what string
		in   *plan.Plan
		not  *plan.Plan
	}{{"found only here", now, old}, {"found only there", old, now}} {
		if only := codesOnly(c.in, c.not); len(only) > 0 {
			out = append(out, c.what+": "+strings.Join(only, ", "))
		}
	}
	if out == nil {
		u.Answerf("\nNothing differs from %s.\n", name)
		return
	}
	u.Answerf("\nDifferences from %s:\n", name)
	for _, line := range out {
		u.Wrapped("  ", line)
	}
}

func sectorsOf(p *plan.Plan, op layout.Op) (n disk.Sector) {
	for i := range p.Pieces {
		if p.Pieces[i].Op == op {
			n += p.Pieces[i].Count
		}
	}
	return n
}

func behind(p *plan.Plan) (n disk.Sector) {
	for _, d := range p.Dropped {
		n += d.Count
	}
	return n
}

// codesOnly returns the codes of findings of one plan that the other has not.
func codesOnly(in, not *plan.Plan) (out []string) {
	for _, f := range in.Findings {
		has := slices.ContainsFunc(not.Findings, func(g disk.Finding) bool { return g.Code == f.Code })
		if !has && !slices.Contains(out, string(f.Code)) {
			out = append(out, string(f.Code))
		}
	}
	return out
}
