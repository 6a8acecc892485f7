package page

import (
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/disk/register"
)

// Codes says what all codes mean.
func Codes(u *talk.UI, groups []register.Group) {
	for i, g := range groups {
		if i > 0 {
			u.Answerf("\n")
		}
		u.Answerf("%s\n\n", strings.ToUpper(g.Title[:1])+g.Title[1:])
		for _, e := range g.Entries {
			u.Answerf("  %s: %s\n", e.Code, standing(e))
			u.Wrapped("      ", e.Means)
		}
	}
	u.Answerf("\nWhat to do about one of them: bootgraft help CODE\n")
}

// Code says what one code means, and what to do.
func Code(u *talk.UI, e register.Entry) {
	u.Answerf("%s: %s\n\n", e.Code, standing(e))
	u.Wrapped("  ", e.Means)
	u.Answerf("\n")
	u.Wrapped("  What to do: ", e.Do)
	if e.Acceptable {
		u.Answerf("\n")
		u.Wrapped("  ", "If you know better, or have to: --accept "+string(e.Code)+", with the command that asked.")
	}
}

// standing is how heavy a code is, in words.
func standing(e register.Entry) string {
	switch {
	case e.Acceptable:
		return "a refusal that can be accepted"
	case e.Severity == disk.Refusal:
		return "a refusal"
	}
	return "a " + string(e.Severity)
}
