package main

import (
	"context"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/peek"
	"bootgraft/layout/scan"
	"bootgraft/safety/blockdev"
)

// shortLook surveys a drive by a few reads. The path next stands for the one
// that is plugged in now.
func shortLook(u *talk.UI, ctx context.Context, path string) error {
	var d *blockdev.Source
	var err error
	if path == "next" {
		d, err = nextDrive(u, ctx)
	} else if d, err = blockdev.OpenSource(path); err != nil {
		err = input.DeviceError(path, err)
	}
	if err != nil {
		return err
	}
	defer d.Close()
	path = d.Name()
	p := peek.New(d)
	p.Fetch(disk.Span{Count: peek.PeekEnds})
	p.Fetch(disk.Span{Start: image.Sectors(d) - peek.PeekEnds, Count: peek.PeekEnds})
	s, err := scan.Run(ctx, p, scan.Options{Short: true})
	if err != nil {
		return err
	}
	s.Findings = append(s.Findings, p.Findings()...)
	if u.JSON {
		return u.Object(document.KindSurvey, surveyObject(&s.Map))
	}
	u.Answerf("%s: %s\n", path, page.IdentityText(d.Identity()))
	page.Survey(u, path, &s.Map)
	return nil
}
