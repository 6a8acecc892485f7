package device

import (
	"context"
	"errors"
	"os"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/peek"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
)

// Look is a look at a card, or at an image file that stands for one, without
// writing.
type Look struct {
	page.Look
	src   image.Source // nil if it is in use and cannot be held
	Close func() error
}

// OpenLook takes hold of a TARGET for looking alone: it is opened for reading.
func OpenLook(ctx context.Context, u *talk.UI, path string, sectorSize int, sizeGiven bool) (*Look, error) {
	given := 0
	if sizeGiven {
		given = sectorSize
	}
	if path == "next" {
		t, err := blockdev.NextReadOnly(ctx, waiting(u, putIn))
		if err != nil {
			return nil, lookError(path, err)
		}
		u.Sayf("%s came.", t.Name())
		return lookAtDevice(t, given)
	}
	img, err := image.Open(path, sectorSize)
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind) && kind.Kind == image.BlockDevice:
		t, err := blockdev.OpenReadOnly(path)
		if err != nil {
			return nil, lookError(path, err)
		}
		return lookAtDevice(t, given)
	case err != nil:
		return nil, lookError(path, err)
	}
	if input.IsPlan(img) {
		return nil, errors.Join(talk.Usagef(
			"%s is a plan, and what is wanted here is a card, or an image of one. What it plans: "+
				"bootgraft files --plan %s",
			path, words.Shell(path)), img.Close())
	}
	if err := input.OtherThanDrive(path, "a card, or an image of one"); err != nil {
		return nil, errors.Join(err, img.Close())
	}
	l := &Look{Look: page.Look{Path: path, File: true, Readable: true}, src: img, Close: img.Close}
	l.Facts.Path, l.Facts.Sectors, l.Facts.SectorSize = path, image.Sectors(img), sectorSize
	if l.Facts.Sectors == 0 {
		return nil, errors.Join(talk.Refusef("%s has not even one sector of %d bytes; it cannot stand for a card", path,
			sectorSize), img.Close())
	}
	return l, nil
}

// lookError says that a TARGET cannot be looked at.
func lookError(path string, err error) error {
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind) && kind.Kind == image.PartOfDisk:
		return talk.Coded(talk.ExitRefused, input.PartError(path))
	case errors.As(err, &kind):
		return talk.Refusef("%s is %s; a card is a block device (bootgraft card lists them) or an image file", path,
			kind.Kind)
	}
	return openError(path, err)
}

func lookAtDevice(t *blockdev.Target, given int) (*Look, error) {
	l := &Look{Look: page.Look{Path: t.Name()}, Close: t.Close}
	var err error
	if l.Facts, err = t.Look(nil); err == nil {
		err = l.checkDevice(given)
	}
	if err != nil {
		return nil, errors.Join(lookError(l.Path, err), t.Close())
	}
	if l.Facts.Held == nil {
		l.src, l.Readable = t, true
		l.Says = t.Drive()
	}
	return l, nil
}

// checkDevice refuses what there is nothing to say about.
func (l *Look) checkDevice(given int) error {
	switch {
	case errors.Is(l.Facts.Held, os.ErrPermission) && os.Geteuid() > 0:
		return talk.Coded(talk.ExitRefused, input.PermissionError(l.Path, os.ErrPermission))
	case l.Facts.Sectors == 0:
		return talk.Refusef("%s has no card in it: its size is 0. Put the card in", l.Path)
	case given != 0 && given != l.Facts.SectorSize:
		return talk.Refusef("%s has sectors of %d bytes, not of %d", l.Path, l.Facts.SectorSize, given)
	}
	return image.CheckSectorSize(l.Facts.SectorSize)
}

// Read reads what the card holds. What cannot be read is told with the rest.
func (l *Look) Read(ctx context.Context) error {
	if l.src == nil || l.Says.Locked() { // every read of a locked one would fail
		return nil
	}
	if !l.File {
		found, err := peek.New(l.src).CheckBridge(l.Says.Identify)
		if err != nil {
			return err
		}
		l.Bridge = found
	}
	holds, err := held.Look(ctx, l.src)
	if err == nil {
		l.Held = holds
		l.Again, err = held.FoundAgain(l.src, holds.Survey.Volumes)
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	l.Fault = err
	return nil
}

// Document is the answer about the card.
func (l *Look) Document() *document.Card {
	d := document.NewCard(l.Path, l.Disk(), l.Alignment())
	d.InUse, d.Hints, d.Again, d.Plan = l.InUse(), l.Hints(), l.Again, page.PlanLine(l.Facts.Sectors, l.Facts.SectorSize)
	if !l.File {
		d.SetDevice(l.Facts)
	}
	d.Says(l.Says)
	if l.Held != nil {
		d.OnCard, d.Files, d.Table = l.Held.Lines, &l.Held.Files, &l.Held.Survey.Table
	}
	if l.Fault != nil {
		d.Fault = l.Fault.Error()
	}
	return d
}
