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
	for _, want := range []disk.Severity{disk.Refusal, disk.Warning, disk.Note} {
		for _, f := range findings {
			if f.Severity == want {
				showFinding(u, f)
			}
		}
	}
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
