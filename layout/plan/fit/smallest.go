package fit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image/disk"
)

// tellSmallest refuses a card that is too small and says which would do: for
// the wishes as they are, and with what is asked accepted. A formula for that
// would have to know every stage of the planning; so each number is found by
// planning that size, and the one below it.
func (p *planner) tellSmallest(w Wishes) error {
	target := w.Target.Sectors
	as, err := p.findSmallest(w, target)
	if err != nil {
		return err
	}
	accepting := as
	codes, err := p.wouldNeed(w)
	if err != nil {
		return err
	}
	if len(codes) > 0 {
		w.Accept = append(slices.Clone(w.Accept), codes...)
		if accepting, err = p.findSmallest(w, 0); err != nil {
			return err
		}
	}
	p.refused.Smallest, p.refused.Accepting = cmp.Or(as, accepting), accepting
	if accepting > 0 && accepting <= target {
		return p.askFor(w, codes)
	}
	if accepting > 0 {
		w.Target.Sectors = accepting
		if err := p.askFor(w, codes); err != nil {
			return err
		}
	}
	if p.noTable {
		return nil
	}
	p.refuse(disk.Refusalf(disk.DoesNotFit, target, "%s", p.tooSmallText(as, accepting, codes)))
	p.refused.Why = append(p.refused.Why, p.fixed...)
	p.hints()
	return nil
}

// askFor asks for everything that makes a card of the wanted size do.
func (p *planner) askFor(w Wishes, codes []disk.Code) error {
	try, err := p.attempt(w, w.Target.Sectors)
	if err != nil {
		return err
	}
	p.missesInVolumes = p.missesInVolumes || try.missesInVolumes
	for _, f := range try.granted(codes) {
		if !slices.ContainsFunc(p.refused.Need, func(o disk.Finding) bool { return o.Code == f.Code }) {
			p.refused.Need = append(p.refused.Need, f)
		}
	}
	return nil
}

// granted returns what was asked and accepted by one of some codes, as it is
// asked.
func (p *planner) granted(codes []disk.Code) (asked []disk.Finding) {
	for _, f := range p.findings {
		if f.Accepted && slices.Contains(codes, f.Code) {
			f.Accepted = false
			asked = append(asked, f)
		}
	}
	return asked
}

// askForAll asks at once for everything that a card of this size needs. What
// a later stage asks shows only when the stages before it have what they asked
// for, and what it asked before that may not be needed at all.
func (p *planner) askForAll(w Wishes) error {
	if len(p.refused.Why) > 0 {
		return nil
	}
	asked := p.refused.Need
	var codes []disk.Code
	for len(asked) > 0 {
		for _, f := range asked {
			codes = append(codes, f.Code)
		}
		w.Accept = slices.Concat(p.w.Accept, codes)
		try, err := p.attempt(w, w.Target.Sectors)
		switch {
		case err != nil:
			return err
		case len(try.refused.Why) > 0 || try.tooSmall > 0:
			return nil
		}
		if asked = try.refused.Need; len(asked) == 0 {
			p.refused.Need, p.missesInVolumes = try.granted(codes), try.missesInVolumes
		}
	}
	return nil
}

// tooSmallText says by how much a card is too small, and what would do.
func (p *planner) tooSmallText(as, accepting disk.Sector, codes []disk.Code) string {
	target, least := p.w.Target.Sectors, cmp.Or(as, accepting)
	if least == 0 {
		return fmt.Sprintf("a card of %s is too small, and no larger one was found that would do. What falls off: %s", sectors(target), p.fallsOff())
	}
	text := fmt.Sprintf("a card of %s is %s too small. What falls off: %s. The smallest card that would do has %s", sectors(target), sectors(least-target), p.fallsOff(), p.cardText(least))
	switch {
	case as == 0:
		text += ", with " + acceptFlags(codes)
	case accepting > 0 && accepting < as:
		text += fmt.Sprintf("; with %s it has %s", acceptFlags(codes), p.cardText(accepting))
	}
	return text
}

func (p *planner) cardText(n disk.Sector) string {
	return fmt.Sprintf("%s (%s bytes)", sectors(n), grouped(int64(n)*int64(p.s.SectorSize)))
}

// wouldNeed returns the codes that have to be accepted, each once: on this card,
// and on the smallest that was guessed.
func (p *planner) wouldNeed(w Wishes) ([]disk.Code, error) {
	try, err := p.attempt(w, max(p.tooSmall, w.Target.Sectors+1))
	if err != nil {
		return nil, err
	}
	var codes []disk.Code
	for _, f := range slices.Concat(p.refused.Need, try.refused.Need) {
		if !slices.Contains(codes, f.Code) {
			codes = append(codes, f.Code)
		}
	}
	return codes, nil
}

// acceptFlags writes codes as they are typed.
func acceptFlags(codes []disk.Code) string {
	var words []string
	for _, code := range codes {
		words = append(words, "--accept "+string(code))
	}
	return strings.Join(words, " ")
}

// attempt plans a card of n sectors by the same try, up to what its pieces are made of.
func (p *planner) attempt(w Wishes, n disk.Sector) (*planner, error) {
	w.Target.Sectors = n
	try := newPlanner(p.ctx, p.src, p.s, p.open, w)
	if p.try.Text != "" {
		try.judged = &p.try
	}
	return try, try.work()
}

// fits tells whether a card of n sectors can be planned.
func (p *planner) fits(w Wishes, n disk.Sector) (bool, error) {
	try, err := p.attempt(w, n)
	return err == nil && !try.isRefused() && try.tooSmall == 0, err
}

// findSmallest returns a size that can be planned, larger than low, which
// cannot, and of which one sector less cannot, or 0. It asks the first guess and
// the size below it, and halves what lies between a size that fits and one
// that does not only where the guess is wrong.
func (p *planner) findSmallest(w Wishes, low disk.Sector) (disk.Sector, error) {
	guess := max(p.tooSmall, low+1)
	ok, err := p.fits(w, guess)
	if err != nil {
		return 0, err
	}
	high := guess
	if !ok {
		low = guess
		if high, err = p.above(w, guess); err != nil || high == 0 {
			return 0, err
		}
	}
	for step := disk.Sector(1); ok && high-low > step; step *= 4 { // mostly the first one ends it
		if ok, err = p.fits(w, high-step); err != nil {
			return 0, err
		}
		if ok {
			high -= step
		} else {
			low = high - step
		}
	}
	for high-low > 1 {
		middle := low + (high-low)/2
		fit, err := p.fits(w, middle)
		switch {
		case err != nil:
			return 0, err
		case fit:
			high = middle
		default:
			low = middle
		}
	}
	return high, nil
}

// above returns a size above one that does not fit, or 0: that of the source,
// which is a copy, or something beyond.
func (p *planner) above(w Wishes, n disk.Sector) (disk.Sector, error) {
	tries := []disk.Sector{p.s.Sectors}
	for more := max(n, p.s.Sectors) / 64; len(tries) < 9; more *= 2 {
		tries = append(tries, max(n, p.s.Sectors)+max(more, 1))
	}
	for _, size := range tries {
		if size <= n {
			continue
		}
		if ok, err := p.fits(w, size); ok || err != nil {
			return size, err
		}
	}
	return 0, nil
}
