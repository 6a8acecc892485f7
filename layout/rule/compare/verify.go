package compare

import (
	"bytes"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// verify makes sure that every copy and checksum that the rules name is true
// of the source and of the card.
func (a *applier) verify() error {
	for i := range a.r.Copies {
		c := &a.r.Copies[i]
		for x := range c.Count {
			of, to := c.Pair(x)
			b, err := a.source(of)
			if err != nil {
				return err
			}
			t, err := a.source(to)
			if err != nil {
				return err
			}
			if !c.equal(b, t, x) {
				return refuse(disk.RulesSource, "%s of the source does not repeat %s, as the rules say: its copies disagree "+
					"already", to, of)
			}
			if !c.equal(a.card[of], a.card[to], x) {
				return refuse(disk.RulesContradict, "a field at %s changes bytes that repeat %s", to, of)
			}
		}
	}
	for i := range a.r.Checks {
		c := &a.r.Checks[i]
		want, err := a.sum(c.Ways[0], c)
		if err != nil {
			return err
		}
		if have := a.card[c.Place.SectorStart()][c.Byte : c.Byte+c.Width]; !bytes.Equal(have, want) {
			return refuse(disk.RulesContradict, "the checksum at %s is wrong after everything is in its place", c.Place)
		}
	}
	return nil
}

// equal tells whether t, the i-th copy, repeats b but for the bytes of its own.
func (c *CopyRule) equal(b, t []byte, i disk.Sector) bool {
	b = slices.Clone(b)
	c.Order.Turn(b)
	for at, own := range c.owned(i, len(b)) {
		if b[at] != t[at] && !own {
			return false
		}
	}
	return true
}

// leftBehind looks for copies that the rules do not know: sectors of the
// source's boot areas that repeat one which the card has otherwise.
func (a *applier) leftBehind() error {
	old := map[string]candidate.Place{}
	for p, b := range a.card {
		s, err := a.source(p)
		if err != nil {
			return err
		}
		if bytes.Equal(s, b) || uniform(s) {
			continue
		}
		for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
			t := slices.Clone(s)
			order.Turn(t)
			if first, there := old[string(t)]; !there || p.Compare(first) < 0 {
				old[string(t)] = p
			}
		}
	}
	if len(old) == 0 {
		return nil
	}
	var stay []candidate.Place
	for _, from := range []candidate.Place{{From: layout.FromStart}, {From: layout.FromEnd, Sector: a.r.Tail}} {
		more, err := a.scanFor(old, from)
		if err != nil {
			return err
		}
		stay = append(stay, more...)
	}
	return a.askAboutCopies(old, stay)
}

// askAboutCopies asks whether copies may stay as they are. Only their owner can know
// whether the device reads them.
func (a *applier) askAboutCopies(old map[string]candidate.Place, stay []candidate.Place) error {
	if len(stay) == 0 {
		return nil
	}
	s, err := a.source(stay[0])
	if err != nil {
		return err
	}
	more := ""
	if n := len(stay) - 1; n > 0 {
		more = fmt.Sprintf("; so it is of %s more", disk.Counted(n, "sector"))
	}
	a.ask(disk.CopyLeftBehind, a.onCard(stay[0]), "%s of the source repeats %s, which changes, and no rule changes it "+
		"too%s: the device may write the old one back", stay[0], old[string(s)], more)
	return nil
}

// scanFor lists the sectors of an area that hold one of the old ones, and stay.
func (a *applier) scanFor(old map[string]candidate.Place, from candidate.Place) (stay []candidate.Place, err error) {
	count := a.r.Head
	if from.From == layout.FromEnd {
		count = a.r.Tail
	}
	at := a.onSource(from)
	area := disk.Span{Start: at, Count: count}.Common(image.Whole(a.src))
	size := int64(a.r.SectorSize)
	buf := make([]byte, chunk)
	for _, known := range disk.NewSpans(image.Unknown(a.src, area)...).Outside(area) {
		for x := known.Start; x < known.End(); x += disk.Sector(chunk / size) {
			part := buf[:min(int64(known.End()-x)*size, chunk)]
			if err := image.ReadFull(a.src, part, int64(x)*size); err != nil {
				return nil, fmt.Errorf("looking for copies that no rule changes, from sector %d of the source on: %w", x, err)
			}
			for i := int64(0); i < int64(len(part)); i += size {
				p := from.After(x - at + disk.Sector(i/size))
				_, hit := old[string(part[i:i+size])]
				if _, ours := a.card[p]; hit && !ours {
					stay = append(stay, p)
				}
			}
		}
	}
	return stay, nil
}

// uniform tells whether all bytes are the same: then a sector like it elsewhere
// is no copy of it.
func uniform(b []byte) bool {
	for _, c := range b {
		if c != b[0] {
			return false
		}
	}
	return true
}
