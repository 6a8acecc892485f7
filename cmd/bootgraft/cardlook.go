package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
)

// cardLook is a look at a card, or at an image file that stands for one, without
// writing.
type cardLook struct {
	page.Look
	src   image.Source // nil if it is in use and cannot be held
	close func() error
}

// openLook takes hold of a TARGET for looking alone: it is opened for reading.
func openLook(u *talk.UI, ctx context.Context, path string, f *cardCmdFlags) (*cardLook, error) {
	if path == "next" {
		t, err := blockdev.NextReadOnly(ctx, func() { u.Sayf("Put the card in now. Waiting for one new disk; Ctrl-C stops.") })
		if err != nil {
			return nil, lookError(path, err)
		}
		u.Sayf("%s came.", t.Name())
		return lookAtDevice(t, f)
	}
	img, err := image.Open(path, f.sectorSize)
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind) && kind.Kind == "a block device":
		t, err := blockdev.OpenReadOnly(path)
		if err != nil {
			return nil, lookError(path, err)
		}
		return lookAtDevice(t, f)
	case err != nil:
		return nil, lookError(path, err)
	}
	if input.IsPlan(img) {
		return nil, errors.Join(talk.Usagef("%s is a plan, and what is wanted here is a card, or an image of one. What it plans: bootgraft files --plan %s", path, words.Shell(path)), img.Close())
	}
	if err := input.OtherThanDrive(path, "a card, or an image of one"); err != nil {
		return nil, errors.Join(err, img.Close())
	}
	l := &cardLook{Look: page.Look{Path: path, File: true, Readable: true}, src: img, close: img.Close}
	l.Facts.Path, l.Facts.Sectors, l.Facts.SectorSize = path, image.Sectors(img), f.sectorSize
	if l.Facts.Sectors == 0 {
		return nil, errors.Join(talk.Refusef("%s has not even one sector of %d bytes; it cannot stand for a card", path, f.sectorSize), img.Close())
	}
	return l, nil
}

// lookError says that a TARGET cannot be looked at.
func lookError(path string, err error) error {
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind):
		return talk.Refusef("%s is %s; a card is a block device (bootgraft card lists them) or an image file", path, kind.Kind)
	case errors.Is(err, blockdev.ErrUnsupported):
		return talk.Coded(talk.ExitRefused, fmt.Errorf("%s is a device: %w", path, input.ErrNoDevices))
	}
	return cardError(path, err)
}

func lookAtDevice(t *blockdev.Target, f *cardCmdFlags) (*cardLook, error) {
	l := &cardLook{Look: page.Look{Path: t.Name()}, close: t.Close}
	var err error
	if l.Facts, err = t.Look(nil); err == nil {
		err = l.checkDevice(f)
	}
	if err != nil {
		return nil, errors.Join(lookError(l.Path, err), t.Close())
	}
	if l.Facts.Held == nil {
		l.src, l.Readable = t, true
	}
	return l, nil
}

// checkDevice refuses what there is nothing to say about.
func (l *cardLook) checkDevice(f *cardCmdFlags) error {
	switch {
	case errors.Is(l.Facts.Held, os.ErrPermission) && os.Geteuid() > 0:
		return talk.Coded(talk.ExitRefused, input.PermissionError(l.Path, os.ErrPermission))
	case l.Facts.Sectors == 0:
		return talk.Refusef("%s has no card in it: its size is 0. Put the card in", l.Path)
	case f.sizeGiven && f.sectorSize != l.Facts.SectorSize:
		return talk.Refusef("%s has sectors of %d bytes, not of %d", l.Path, l.Facts.SectorSize, f.sectorSize)
	}
	return image.CheckSectorSize(l.Facts.SectorSize)
}

// look reads what the card holds. What cannot be read is told with the rest.
func (l *cardLook) look(ctx context.Context) error {
	if l.src == nil {
		return nil
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

// showLook says it all. A card whose content could not be read ends the
// program with 1, after everything else was said.
func showLook(u *talk.UI, l *cardLook) error {
	u.Document(l.document())
	page.Card(u, &l.Look)
	if l.Fault != nil {
		return fmt.Errorf("what %s holds could not be read: %w", l.Path, l.Fault)
	}
	return nil
}
