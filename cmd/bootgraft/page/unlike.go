package page

import (
	"fmt"
	"slices"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
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
	for _, op := range ops {
		differ("sectors that are "+opWords[op], old.Sectors(op), now.Sectors(op))
	}
	differ("sectors of the drive that stay behind", old.Behind(), now.Behind())
	if old.Source.Digest != now.Source.Digest {
		out = append(out, "the drive: its tables differ, it is another unit or was changed")
	}
	only := func(where string, in, not *plan.Plan) {
		known := codesOf(not.Findings)
		codes := slices.DeleteFunc(codesOf(in.Findings), func(c disk.Code) bool { return slices.Contains(known, c) })
		if len(codes) > 0 {
			out = append(out, "found only "+where+": "+codeList(codes))
		}
	}
	only("here", now, old)
	only("there", old, now)
	if out == nil {
		u.Answerf("\nNothing differs from %s.\n", name)
		return
	}
	u.Answerf("\nDifferences from %s:\n", name)
	for _, line := range out {
		u.Wrapped("  ", line)
	}
}
