package main

import (
	"errors"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
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
	return talk.Refusef("%s", page.Refused(r.Why, r.Need, again))
}
