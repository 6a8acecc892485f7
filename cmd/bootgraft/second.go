package main

import (
	"context"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/second"
)

// secondOnCard asks the second reader about a card that was written, down to
// the bytes of every file.
func secondOnCard(u *talk.UI, ctx context.Context, card image.Source) ([]second.Opinion, error) {
	s, err := scan.Run(ctx, card, scan.Options{})
	if err != nil {
		return nil, err
	}
	progress, finish := u.Bar("second reader")
	defer finish()
	done, total := int64(0), usedBytes(s)
	return second.Ask(ctx, card, s, second.Options{Contents: true, Progress: func(n int64) {
		done += n
		progress(min(done, total), total)
	}})
}
