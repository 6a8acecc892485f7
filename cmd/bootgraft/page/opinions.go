package page

import (
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/second"
)

// SecondReader says in one line what the second reader thinks.
func SecondReader(u *talk.UI, all []second.Opinion) {
	if line := second.Summary(all); line != "" {
		u.Wrapped("", line+".")
	}
}

// Differing returns as findings the opinions that a person must see; the line
// of secondReader says enough of the others.
func Differing(all []second.Opinion) []disk.Finding {
	var out []disk.Finding
	for _, o := range all {
		if o.Verdict == second.Differs {
			out = append(out, o.Finding())
		}
	}
	return out
}
