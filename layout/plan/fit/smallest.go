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
func (a *attempt) tellSmallest() (inVolumes bool, err error) {
	w, target := a.w, a.w.Target.Sectors
	as, err := a.findSmallest(w, target)
	if err != nil {
		return false, err
	}
	accepting := as
	codes, err := a.wouldNeed()
	if err != nil {
		return false, err
	}
	if len(codes) > 0 {
		w.Accept = append(slices.Clone(w.Accept), codes...)
		if accepting, err = a.findSmallest(w, 0); err != nil {
			return false, err
		}
	}
	a.smallest(as, accepting)
	if accepting > 0 {
		w.Target.Sectors = max(accepting, target)
		if inVolumes, err = a.askFor(w, codes); err != nil {
			return false, err
		}
	}
	if accepting > 0 && accepting <= target || a.noTable {
		return inVolumes, nil
	}
	var out said
	out.refuse(disk.Refusalf(disk.DoesNotFit, target, "%s", a.tooSmallText(as, accepting, codes)))
	for _, f := range a.placed.fixed {
		out.refuse(f)
	}
	out.also(a.placed.hints())
	a.weigh(a.given, out)
	return inVolumes, nil
}

// askFor asks for everything that makes a card of the wanted size do.
func (a *attempt) askFor(w Wishes, codes []disk.Code) (inVolumes bool, err error) {
	try, err := a.again(w, w.Target.Sectors)
	if err != nil {
		return false, err
	}
	a.need(try.granted(codes))
	return try.missesInVolumes(), nil
}

// askForAll asks at once for everything that a card of this size needs. What
// a later stage asks shows only when the stages before it have what they asked
// for, and what it asked before that may not be needed at all. inVolumes tells, of
// what was asked so far and of the whole, whether sectors of volumes are missing.
func (a *attempt) askForAll(inVolumes bool) (bool, error) {
	if len(a.refused.Why) > 0 {
		return inVolumes, nil
	}
	asked, w := a.refused.Need, a.w
	var codes []disk.Code
	for len(asked) > 0 {
		for _, f := range asked {
			codes = append(codes, f.Code)
		}
		w.Accept = slices.Concat(a.w.Accept, codes)
		try, err := a.again(w, w.Target.Sectors)
		switch {
		case err != nil:
			return false, err
		case len(try.refused.Why) > 0 || try.tooSmall > 0:
			return inVolumes, nil
		}
		if asked = try.refused.Need; len(asked) == 0 {
			a.needOnly(try.granted(codes))
			inVolumes = try.missesInVolumes()
		}
	}
	return inVolumes, nil
}

// tooSmallText says by how much a card is too small, and what would do.
func (a *attempt) tooSmallText(as, accepting disk.Sector, codes []disk.Code) string {
	target, least := a.w.Target.Sectors, cmp.Or(as, accepting)
	if least == 0 {
		return fmt.Sprintf("a card of %s is too small, and no larger one was found that would do. What falls off: %s",
			sectors(target), a.placed.fallsOff())
	}
	text := fmt.Sprintf("a card of %s is %s too small. What falls off: %s. The smallest card that would do has %s",
		sectors(target), sectors(least-target), a.placed.fallsOff(), a.cardText(least))
	switch {
	case as == 0:
		text += ", with " + acceptFlags(codes)
	case accepting > 0 && accepting < as:
		text += fmt.Sprintf("; with %s it has %s", acceptFlags(codes), a.cardText(accepting))
	}
	return text
}

func (p *given) cardText(n disk.Sector) string {
	return fmt.Sprintf("%s (%s bytes)", sectors(n), grouped(int64(n)*int64(p.s.SectorSize)))
}

// wouldNeed returns the codes that have to be accepted, each once: on this card,
// and on the smallest that was guessed.
func (a *attempt) wouldNeed() ([]disk.Code, error) {
	try, err := a.again(a.w, max(a.tooSmall, a.w.Target.Sectors+1))
	if err != nil {
		return nil, err
	}
	var codes []disk.Code
	for _, f := range slices.Concat(a.refused.Need, try.refused.Need) {
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

// again plans a card of n sectors by the same try, up to what its pieces are made of.
func (a *attempt) again(w Wishes, n disk.Sector) (*attempt, error) {
	w.Target.Sectors = n
	var by *rung
	if a.tried.try.Text != "" {
		by = &a.tried.try
	}
	return a.with(w, by, false).attempt()
}

// does tells whether a card of n sectors can be planned.
func (a *attempt) does(w Wishes, n disk.Sector) (bool, error) {
	try, err := a.again(w, n)
	return err == nil && try.fits(), err
}

// findSmallest returns a size that can be planned, larger than low, which
// cannot, and of which one sector less cannot, or 0. It asks the first guess and
// the size below it, and halves what lies between a size that fits and one
// that does not only where the guess is wrong.
func (a *attempt) findSmallest(w Wishes, low disk.Sector) (disk.Sector, error) {
	guess := max(a.tooSmall, low+1)
	ok, err := a.does(w, guess)
	if err != nil {
		return 0, err
	}
	high := guess
	if !ok {
		low = guess
		if high, err = a.above(w, guess); err != nil || high == 0 {
			return 0, err
		}
	}
	for step := disk.Sector(1); ok && high-low > step; step *= 4 { // mostly the first one ends it
		if ok, err = a.does(w, high-step); err != nil {
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
		fit, err := a.does(w, middle)
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
// which is a copy, or one of eight beyond, each step twice as long, from 1/64 to
// three times the disk: by hand, no source. What fits on none of them does not
// depend on the size.
func (a *attempt) above(w Wishes, n disk.Sector) (disk.Sector, error) {
	tries := []disk.Sector{a.s.Sectors}
	for more := max(n, a.s.Sectors) / 64; len(tries) < 9; more *= 2 {
		tries = append(tries, max(n, a.s.Sectors)+max(more, 1))
	}
	for _, size := range tries {
		if size <= n {
			continue
		}
		if ok, err := a.does(w, size); ok || err != nil {
			return size, err
		}
	}
	return 0, nil
}
