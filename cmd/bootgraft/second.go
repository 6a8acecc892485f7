package main

import (
	"context"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/second"
)

// secondReader says in one line what the second reader thinks.
func (u *ui) secondReader(all []second.Opinion) {
	if line := second.Summary(all); line != "" {
		u.wrapped("", line+".")
	}
}

// secondOnCard asks the second reader about a card that was written, down to
// the bytes of every file.
func (u *ui) secondOnCard(ctx context.Context, card image.Source) ([]second.Opinion, error) {
	s, err := scan.Run(ctx, card, scan.Options{})
	if err != nil {
		return nil, err
	}
	progress, finish := u.bar("second reader")
	defer finish()
	done, total := int64(0), usedBytes(s)
	return second.Ask(ctx, card, s, second.Options{Contents: true, Progress: func(n int64) {
		done += n
		progress(min(done, total), total)
	}})
}

// differing returns as findings the opinions that a person must see; the line
// of secondReader says enough of the others.
func differing(all []second.Opinion) []disk.Finding {
	var out []disk.Finding
	for _, o := range all {
		if o.Verdict == second.Differs {
			out = append(out, o.Finding())
		}
	}
	return out
}
