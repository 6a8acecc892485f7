package page

import (
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/second"
)

// SecondReader says in one line what the second reader thinks.
func SecondReader(u *talk.UI, all []second.Opinion) {
	if line := opinionLine(all); line != "" {
		u.Wrapped("", line)
	}
}

// opinionLine says all opinions in one sentence, or nothing if there are none.
func opinionLine(all []second.Opinion) string {
	about := map[second.Verdict][]string{}
	for _, o := range all {
		what := o.About
		if o.Verdict == second.Agrees {
			what += " (" + comparedText(o.Compared) + ")"
		}
		about[o.Verdict] = append(about[o.Verdict], what)
	}
	var parts []string
	for _, v := range []struct {
		is   second.Verdict
		does string
	}{{second.Differs, "DIFFERS on"}, {second.Agrees, "agrees on"}, {second.Cannot, "cannot read"}} {
		if len(about[v.is]) > 0 {
			parts = append(parts, v.does+" "+strings.Join(about[v.is], ", "))
		}
	}
	if parts == nil {
		return ""
	}
	return "Second reader " + strings.Join(parts, "; ") + "."
}

func comparedText(c second.Compared) string {
	switch {
	case c.Contents > 0:
		return disk.Counted(c.Contents, "file")
	case c.Entries == 1:
		return "1 entry"
	}
	return disk.Grouped(c.Entries) + " entries"
}

// Differing returns as findings the opinions that a person must see; the line
// of SecondReader says enough of the others.
func Differing(all []second.Opinion) []disk.Finding {
	var out []disk.Finding
	for _, o := range all {
		if o.Verdict == second.Differs {
			out = append(out, o.Finding())
		}
	}
	return out
}
