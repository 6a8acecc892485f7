package page

import (
	"fmt"
	"slices"
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
func Accepting(need []disk.Finding, again string) string { return again + acceptCodes(codesOf(need)) }

// acceptCodes writes the flags that accept codes.
func acceptCodes(codes []disk.Code) (flags string) {
	for _, c := range codes {
		flags += " --accept " + string(c)
	}
	return flags
}

// codeList names codes in a sentence.
func codeList(codes []disk.Code) (text string) {
	for _, c := range codes {
		text += ", " + string(c)
	}
	return strings.TrimPrefix(text, ", ")
}

// codesOf are the codes of findings, each once.
func codesOf(all []disk.Finding) (out []disk.Code) {
	for i := range all {
		if !slices.Contains(out, all[i].Code) {
			out = append(out, all[i].Code)
		}
	}
	return out
}

// onlyIf is the state of a card that waits for codes to be accepted.
func onlyIf(codes []disk.Code) string { return "only if you accept " + codeList(codes) }
