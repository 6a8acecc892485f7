package device

import (
	"context"
	"errors"
	"os"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
	"bootgraft/safety/receipt"
)

// openCard takes hold of a TARGET and looks what it is and what it holds. What
// speaks against it is for the rehearsal to say.
func openCard(ctx context.Context, u *talk.UI, path string, flags Flags) (*work, error) {
	w := &work{UI: u, flags: flags, path: path}
	var err error
	if path == "next" {
		w.target, err = blockdev.NextTarget(ctx, func() { u.Sayf("Put the card in now. Waiting for one new disk; Ctrl-C stops.") })
	} else {
		w.target, err = blockdev.OpenTarget(path)
	}
	if err != nil {
		return nil, openError(path, err)
	}
	if path == "next" {
		w.path, w.waited = w.target.Name(), true
		u.Sayf("%s came.", w.path)
	}
	if w.facts, err = w.target.Look(nil); err != nil {
		return nil, errors.Join(openError(w.path, err), w.target.Close())
	}
	if errors.Is(w.facts.Held, os.ErrPermission) && os.Geteuid() > 0 {
		return nil, errors.Join(talk.Coded(talk.ExitRefused, input.PermissionError(w.path, os.ErrPermission)), w.target.Close())
	}
	w.held = &held.Card{}
	if w.facts.Held == nil && w.target.Size() > 0 && image.CheckSectorSize(w.target.SectorSize()) == nil {
		w.looked = safety.LookThrough(w.target)
		w.held, err = held.Look(ctx, w.looked)
		if ctx.Err() != nil {
			return nil, errors.Join(context.Cause(ctx), w.target.Close())
		}
		if err != nil {
			w.held = &held.Card{Lines: []string{"it could not be found out: " + err.Error()}, Closed: true}
		}
	}
	w.req.Tables, w.req.Fixed = w.held.Tables, flags.Fixed
	w.req.Progress, w.finish = w.stageBars()
	return w, nil
}

// openError gives a card that cannot be opened its exit code: nothing was
// written.
func openError(path string, err error) error {
	var known *talk.CodedError
	if err = input.DeviceError(path, err); errors.As(err, &known) || errors.Is(err, context.Canceled) {
		return err
	}
	return talk.Coded(talk.ExitRefused, err)
}

// cardLines says which card it is and what it holds.
func (w *work) cardLines() {
	f := w.facts
	w.Answerf("The card\n")
	name := w.path
	if f.Node != "" && f.Node != w.path {
		name += " (" + f.Node + ")"
	}
	text := name + ": " + page.IdentityText(f.Identity)
	if f.Speed != "" {
		text += ", " + f.Speed + " Mbit/s"
	}
	if f.Identity.Removable {
		text += ", removable"
	}
	if f.CID != "" {
		text += ", CID " + f.CID
	}
	w.Wrapped("  ", text+"; "+disk.SizeText(f.Sectors, f.SectorSize))
	if f.Blind {
		w.Wrapped("  ", "Not every program that runs could be looked at; with sudo they can, and the guards see more.")
	}
	for i, l := range w.held.Lines {
		prefix := "                "
		if i == 0 {
			prefix = "  It holds now: "
		}
		w.Wrapped(prefix, l)
	}
}

// bars shows how far each stage has come.
func (w *work) stageBars() (progress func(stage receipt.Stage, done, total int64), finish func()) {
	var current receipt.Stage
	move, end := func(int64, int64) {}, func() {}
	return func(stage receipt.Stage, done, total int64) {
		if stage != current {
			end()
			current = stage
			move, end = w.Bar(string(stage))
		}
		move(done, total)
	}, func() { end() }
}

// letGo takes the card away from the system, so that nothing mounts it.
func (w *work) letGo() {
	detached, err := w.target.Detach()
	switch {
	case err != nil:
		w.Sayf("warning: the card is whole, but it could not be detached from the system (%v); pull it before something mounts it", err)
	case detached:
		w.Answerf("\nThe card is detached from the system. Pull it now.\n")
	default:
		w.Answerf("\nThe system still sees the card. Pull it now, before a desktop mounts and changes\nit.\n")
	}
}
