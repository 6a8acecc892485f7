package main

import (
	"bytes"
	"errors"
	"fmt"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/plan/fit"
)

// refusedSource writes what a SOURCE asks for as one object, where a script asks.
func refusedSource(u *talk.UI, err error) error {
	var e *input.NeedError
	if !u.JSON || !errors.As(err, &e) {
		return err
	}
	u.Document(document.NewRefused(nil, e.Need))
	return talk.Coded(talk.ExitRefused, talk.ErrSaid)
}

// acceptAll writes every code that has to be accepted, each once.
func acceptAll(need []disk.Finding) string {
	words, seen := "", map[disk.Code]bool{}
	for _, f := range need {
		if !seen[f.Code] {
			seen[f.Code] = true
			words += " --accept " + string(f.Code)
		}
	}
	return words
}

// showRefused explains why there is no plan. again is the command to paste.
func showRefused(u *talk.UI, err error, again string) error {
	r := fit.IsRefused(err)
	if r == nil {
		return err
	}
	if u.JSON {
		d := document.NewRefused(r.Why, r.Need)
		d.Smallest, d.Accepting = r.Smallest, r.Accepting
		u.Document(d)
		return talk.Coded(talk.ExitRefused, talk.ErrSaid)
	}
	var b bytes.Buffer
	b.WriteString("refusing to plan this card; nothing was written.\n")
	for _, f := range r.Why {
		b.WriteString(words.Fold("  ", string(f.Code)+": "+f.Text))
	}
	for _, f := range r.Need {
		b.WriteString(words.Fold("  ", string(f.Code)+": "+f.Text))
		fmt.Fprintf(&b, "    To go on all the same: --accept %s\n", f.Code)
	}
	if len(r.Why) == 0 && len(r.Need) > 0 {
		b.WriteString("Everything together accepted:\n\n  " + again + acceptAll(r.Need) + "\n")
	}
	return talk.Coded(talk.ExitRefused, errors.New(b.String()))
}
