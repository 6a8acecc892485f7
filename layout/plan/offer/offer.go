// Package offer says of several cards at once what would become of a drive on each of
// them, before one is bought. Each card is planned as it would be to be written, and
// what asks for an acceptance is accepted and told: nothing is estimated.
package offer

import (
	"context"
	"errors"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
)

// Card is what would become of the drive on one card.
type Card struct {
	Disk plan.Size
	Fits bool
	Asks []disk.Code    // what its owner would have to accept, each once
	Why  []disk.Finding // why it cannot be, whatever is accepted

	Moved   disk.Sector // sectors of the card that are carried from another address
	Anew    disk.Sector // made new
	Dropped disk.Sector // sectors of the drive that are not carried
	Missing disk.Sector // zeros, as the source does not know them
	Head    disk.Sector // of the sectors before the first volume, those that are not as on the drive
	Spare   disk.Sector // so many sectors fewer than its label says the card may have
	Agreed  disk.Sector // the largest size up to this at which all readings of the rules agree, 0: none is known
	Walls   []disk.Finding
	Try     bool // nobody knows this layout: the plan would be the first of several tries
}

// Offer is what there is to say of all of them.
type Offer struct {
	Cards []Card

	// Smallest is the smallest card of any size that would do, Accepting the smallest
	// with everything accepted that would be asked; 0 if there is none.
	Smallest, Accepting disk.Sector

	// Best is the index of the card to take: the smallest that asks for least, and -1
	// if none fits.
	Best int
}

// walls are the codes of limits that devices have.
var walls = []disk.Code{disk.Wall28Bit, disk.Wall31Bit, disk.WallCylinders, disk.WallFATType}

// Look plans every card. w are the wishes for all of them; its target and what it
// accepts are not looked at.
func Look(ctx context.Context, src image.Source, m *layout.Map, w fit.Wishes, cards []plan.Size) (*Offer, error) {
	out := &Offer{Best: -1}
	w.Target = plan.Size{Sectors: m.Sectors + 1, SectorSize: m.SectorSize}
	if err := w.LookOutside(ctx, src, m); err != nil {
		return nil, err
	}
	for _, d := range cards {
		c, err := look(ctx, src, m, w, d)
		if err != nil {
			return nil, err
		}
		out.Cards = append(out.Cards, *c)
		if c.Fits && (out.Best < 0 || better(c, &out.Cards[out.Best])) {
			out.Best = len(out.Cards) - 1
		}
	}
	var err error
	if out.Smallest, out.Accepting, err = smallest(ctx, src, m, w); err != nil {
		return nil, err
	}
	for i := range out.Cards {
		c := &out.Cards[i]
		if least := out.least(); c.Fits && least > 0 {
			c.Spare = max(0, c.Disk.Sectors-least)
		}
		if w.Rules != nil {
			c.Agreed = w.Rules.AgreedBelow(c.Disk.Sectors, hasTail(m))
		}
	}
	return out, nil
}

// least is the smallest card that would do, whatever has to be accepted.
func (o *Offer) least() disk.Sector {
	if o.Accepting > 0 {
		return o.Accepting
	}
	return o.Smallest
}

// hasTail tells whether anything is counted from the end of the disk.
func hasTail(m *layout.Map) bool {
	return slices.ContainsFunc(m.Regions, func(r layout.Region) bool {
		return r.Role == layout.RoleTail &&
			r.Content.NonBlank > 0
	})
}

// headOf is the part of a drive that a device reads first: all before the first volume,
// or the first run of what is in use where there is none.
func headOf(m *layout.Map) disk.Span {
	for _, r := range m.Regions {
		if r.Role == layout.RoleVolume {
			return disk.Between(0, r.Start)
		}
	}
	if len(m.Volumes) > 0 {
		return disk.Between(0, m.Volumes[0].Start)
	}
	return disk.Between(0, m.Regions[0].End())
}

// better tells whether a card is to be taken rather than another one that fits.
func better(a, b *Card) bool {
	if len(a.Asks) != len(b.Asks) {
		return len(a.Asks) < len(b.Asks)
	}
	return a.Disk.Sectors < b.Disk.Sectors
}

// look plans one card: first as it is, then with what it asks for.
func look(ctx context.Context, src image.Source, m *layout.Map, w fit.Wishes, d plan.Size) (*Card, error) {
	c := &Card{Disk: d}
	w.Target, w.Accept = d, nil
	if d.Sectors == m.Sectors {
		w.Invariants, w.Fields, w.Notes = nil, nil, nil
	}
	// What is accepted lets the planner come further, to more questions.
	for {
		p, err := fit.Plan(ctx, src, m, w)
		if err == nil {
			c.Fits = true
			c.read(p, headOf(m))
			return c, nil
		}
		r := fit.IsRefused(err)
		if r == nil {
			return nil, err
		}
		more := false
		for _, f := range r.Need {
			if !slices.Contains(w.Accept, f.Code) {
				w.Accept, more = append(w.Accept, f.Code), true
			}
		}
		c.Asks = w.Accept
		if !more || len(r.Why) > 0 {
			c.Why = r.Why
			return c, nil
		}
	}
}

// read counts what a plan does.
func (c *Card) read(p *plan.Plan, head disk.Span) {
	for i := range p.Pieces {
		q := &p.Pieces[i]
		if q.Op != layout.Copy || q.From != q.Start {
			c.Head += q.Common(head).Count
		}
		switch {
		case q.Op == layout.Copy && q.From != q.Start:
			c.Moved += q.Count
		case q.Op == layout.Render:
			c.Anew += q.Count
		case q.Op == layout.Zero && q.Why == layout.WhyMissing:
			c.Missing += q.Count
		}
	}
	for _, d := range p.Dropped {
		c.Dropped += d.Count
	}
	for _, f := range p.Findings {
		c.Try = c.Try || f.Code == disk.ThisTry
		if slices.Contains(walls, f.Code) {
			c.Walls = append(c.Walls, f)
		}
	}
}

// smallest asks for a card that nothing fits on: its refusal names the one that would do.
func smallest(ctx context.Context, src image.Source, m *layout.Map,
	w fit.Wishes) (least, accepting disk.Sector, err error) {
	w.Target, w.Accept = plan.Size{Sectors: 1, SectorSize: m.SectorSize}, nil
	_, err = fit.Plan(ctx, src, m, w)
	r := fit.IsRefused(err)
	switch {
	case err != nil && r == nil:
		return 0, 0, err
	case r == nil:
		return 1, 1, nil
	}
	return r.Smallest, r.Accepting, nil
}

// ErrNoneFits says that no card of an offer would do.
var ErrNoneFits = errors.New("none of these cards would do")
