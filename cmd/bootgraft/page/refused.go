package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// Refused explains why there is no plan: what stands against it, and what can be
// accepted. unasked is the smallest card of which nothing is asked, 0 if there is none or
// nobody knows; again is the command to paste.
func Refused(why, need []disk.Finding, unasked disk.Sector, again string) string {
	var b strings.Builder
	b.WriteString("refusing to plan this card; nothing was written.\n")
	for _, f := range why {
		b.WriteString(words.Fold("  ", string(f.Code)+": "+f.Text))
	}
	b.WriteString(Needs(need))
	if len(why) == 0 && unasked > 0 {
		b.WriteString(words.Fold("", fmt.Sprintf("The smallest card of which nothing is asked has %s.",
			disk.Counted(unasked, "sector"))))
	}
	if len(why) == 0 && len(need) > 0 {
		b.WriteString("Everything together accepted:\n\n  " + Accepting(need, again) + "\n")
	}
	return b.String()
}

// Needs says what has to be accepted, and how.
func Needs(need []disk.Finding) string {
	var b strings.Builder
	for _, f := range need {
		b.WriteString(words.Fold("  ", string(f.Code)+": "+f.Text))
		fmt.Fprintf(&b, "    To go on all the same: --accept %s\n", f.Code)
	}
	return b.String()
}

// Accepting is a command again, with everything accepted that it asked for.
func Accepting(need []disk.Finding, again string) string { return again + acceptAll(need) }

// acceptAll writes every code that has to be accepted, each once.
func acceptAll(need []disk.Finding) string {
	flags, seen := "", map[disk.Code]bool{}
	for _, f := range need {
		if !seen[f.Code] {
			seen[f.Code] = true
			flags += " --accept " + string(f.Code)
		}
	}
	return flags
}
