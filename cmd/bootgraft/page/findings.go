package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

// Findings lists findings, the gravest first.
func Findings(u *talk.UI, findings []disk.Finding) {
	if len(findings) == 0 {
		u.Answerf("\nNothing found wrong.\n")
		return
	}
	u.Answerf("\nFindings:\n")
	for _, f := range gravest(findings) {
		showFinding(u, f)
	}
}

// gravest returns findings in the order in which they are shown: the gravest first.
func gravest(all []disk.Finding) (out []disk.Finding) {
	for _, want := range []disk.Severity{disk.Refusal, disk.Warning, disk.Note} {
		for _, f := range all {
			if f.Severity == want {
				out = append(out, f)
			}
		}
	}
	return out
}

func showFinding(u *talk.UI, f disk.Finding) {
	head := string(f.Severity)
	if f.Accepted {
		head = "accepted"
	}
	at := ""
	if f.Sector != disk.NoSector {
		at = fmt.Sprintf(" (sector %s)", disk.Grouped(f.Sector))
	}
	u.Wrapped(fmt.Sprintf("  %-9s", head), fmt.Sprintf("%s%s: %s", f.Code, at, f.Text))
}
