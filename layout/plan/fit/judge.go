package fit

import (
	"strings"
	"sync"

	"bootgraft/image/disk"
)

// A try is listed only if it makes a card. That is known by making it.

// judge returns what says why no card can be made by a try, whatever is accepted;
// "" if one can. What refuses the card as it is, too, is nothing of the try.
func (p *course) judge() func(r rung) string {
	asItIs := sync.OnceValue(func() disk.Code { return p.refusedBy(rung{}) })
	return func(r rung) string {
		code := p.refusedBy(r)
		if code == "" || code == asItIs() {
			return ""
		}
		return "refused: " + string(code)
	}
}

// refusedBy makes the card of a try and returns the first code that refuses it. A
// card that cannot be read is not refused: who plans it is told what cannot be read.
func (p *course) refusedBy(r rung) disk.Code {
	a, err := p.with(p.w, &r, true).attempt()
	if err == nil && a.fits() {
		_, err = a.finish()
	}
	switch {
	case err == nil && a.fits():
	case len(a.refused.Why) > 0:
		return a.refused.Why[0].Code
	case a.tooSmall > 0:
		return disk.DoesNotFit
	}
	return ""
}

// whyNoTry says of every number that is no try why it is none.
func whyNoTry(none []rung) (out said) {
	var reasons []string
	of := map[string][]string{}
	for _, r := range none {
		if of[r.why] == nil {
			reasons = append(reasons, r.why)
		}
		of[r.why] = append(of[r.why], r.what)
	}
	for _, why := range reasons {
		out.note(disk.Notef(disk.NoTry, disk.NoSector, "no try, %s: %s", why, strings.Join(of[why], "; ")))
	}
	return out
}
