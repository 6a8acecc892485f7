package fit

import (
	"strings"
	"sync"

	"bootgraft/image/disk"
)

// A try is listed only if it makes a card. That is known by making it.

// judge returns what says why no card can be made by a try, whatever is accepted;
// "" if one can. What refuses the card as it is, too, is nothing of the try.
func (p *planner) judge() func(r rung) string {
	asItIs := sync.OnceValue(func() disk.Code { return p.refusedBy(rung{}) })
	return func(r rung) string {
		code := p.refusedBy(r)
		if code == "" || code == asItIs() {
			return ""
		}
		return "refused: " + string(code)
	}
}

// refusedBy makes the card of a try and returns the first code that refuses it.
func (p *planner) refusedBy(r rung) disk.Code {
	j := newPlanner(p.ctx, p.src, p.s, p.open, p.w)
	j.judged, j.grants = &r, true
	switch {
	case j.makes():
	case len(j.refused.Why) > 0:
		return j.refused.Why[0].Code
	case j.tooSmall > 0:
		return disk.DoesNotFit
	}
	return ""
}

// makes tells whether a card can be made. One that cannot be read is not refused:
// who plans it is told what cannot be read.
func (p *planner) makes() bool {
	if err := p.work(); err != nil || p.isRefused() || p.tooSmall > 0 {
		return false
	}
	made, err := p.emit()
	return err == nil && p.prove(made) == nil && !p.isRefused()
}

// noTries says of every number that is no try why it is none.
func (p *planner) noTries(none []rung) {
	var reasons []string
	of := map[string][]string{}
	for _, r := range none {
		if of[r.why] == nil {
			reasons = append(reasons, r.why)
		}
		of[r.why] = append(of[r.why], r.what)
	}
	for _, why := range reasons {
		p.note(disk.Notef(disk.NoTry, disk.NoSector, "no try, %s: %s", why, strings.Join(of[why], "; ")))
	}
}
