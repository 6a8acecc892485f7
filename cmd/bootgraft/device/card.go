package device

import (
	"context"
	"errors"
	"os"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
	"bootgraft/safety/receipt"
)

// putIn is what to do where a card is waited for.
const putIn = "Put the card in now."

// openCard takes hold of a TARGET and looks what it is and what it holds. What
// speaks against it is for the rehearsal to say.
func openCard(ctx context.Context, u *talk.UI, path string, flags Flags) (*work, error) {
	w := &work{UI: u, flags: flags, path: path}
	var err error
	if path == "next" {
		w.target, err = blockdev.NextTarget(ctx, waiting(u, putIn))
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
	if w.facts, err = w.target.Describe(); err != nil { // who uses it is found out by the rehearsal
		return nil, errors.Join(openError(w.path, err), w.target.Close())
	}
	if errors.Is(w.facts.Held, os.ErrPermission) && os.Geteuid() > 0 {
		return nil, errors.Join(talk.Coded(talk.ExitRefused, input.PermissionError(w.path, os.ErrPermission)),
			w.target.Close())
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

// now is which card it is and what it holds.
func (w *work) now() page.CardNow {
	return page.CardNow{Path: w.path, Facts: w.facts, Holds: w.held.Lines}
}

// cardLines shows it.
func (w *work) cardLines() {
	now := w.now()
	now.Show(w.UI)
}

// stages are the steps of a write as a person knows them, and the passes that are
// behind when each begins: keeping what is replaced, writing, reading back.
var stages = map[receipt.Stage]struct {
	what   string
	behind int
	small  bool // it takes no time beside the passes
}{
	receipt.StageKeep:    {"keeping what is replaced", 0, false},
	receipt.StageFence:   {"making both ends blank", 1, true},
	receipt.StageData:    {"writing", 1, false},
	receipt.StageBack:    {"reading back", 2, false},
	receipt.StageSecond:  {"second copies", 3, true},
	receipt.StageFirst:   {"first copies", 3, true},
	receipt.StageEarly:   {"what was written first", 3, true},
	receipt.StageSector0: {"sector 0", 3, true},
}

// stageBars shows how far the work has come: the pass that reads everything back counts
// from the beginning, and the one that keeps everything where that is asked for.
func (w *work) stageBars() (progress func(stage receipt.Stage, done, total int64), finish func()) {
	var show func(talk.Step)
	end := func() {}
	return func(stage receipt.Stage, done, total int64) {
		if show == nil {
			show, end = w.Steps()
		}
		at, first := stages[stage], 1
		if w.req.KeepAll {
			first = 0
		}
		s := talk.Step{What: at.what, Done: done, Total: total, Pass: max(0, at.behind-first), Passes: 3 - first}
		s.Beside = at.small || at.behind < first
		if s.What == "" {
			s.What = string(stage)
		}
		show(s)
	}, func() { end() }
}

// letGo takes the card away from the system, so that nothing mounts it.
func (w *work) letGo() {
	detached, err := w.target.Detach()
	switch {
	case err != nil:
		w.Sayf("warning: the card is whole, but it could not be detached from the system (%v); pull it before "+
			"something mounts it", err)
	case detached:
		w.Answerf("\nThe card is detached from the system. Pull it now.\n")
	default:
		w.Answerf("\n")
		w.Wrapped("", "The system still sees the card. Pull it now, before a desktop mounts and changes it.")
	}
}
