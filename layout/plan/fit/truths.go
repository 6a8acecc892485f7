package fit

import (
	"errors"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
)

// truthCodes name what a card lacks that is true of its source.
var truthCodes = map[string]disk.Code{"mirror": disk.CopyLeftBehind, "chain": disk.ChainBroken, "checksum": disk.ChecksumBroken}

// prove looks at the planned card again, as at any disk: it is the last step of
// planning, and no plan goes round it. Where the card breaks what it should keep
// the plan is refused, or its owner is asked.
func (p *planner) prove(made *plan.Plan) error {
	c, err := card.New(made, p.src)
	if err != nil {
		return err
	}
	known := len(p.findings)
	looks := []func(*card.Card) error{p.resurvey, func(*card.Card) error { return p.proveCarried(made) }}
	if p.resizing() {
		looks = append(looks, p.proveRules, p.proveTruths)
	}
	for _, look := range looks {
		if err := look(c); err != nil {
			return fmt.Errorf("looking at the planned card again: %w", err)
		}
	}
	for _, f := range p.findings[known:] {
		f.Text = strings.ToValidUTF8(f.Text, "?")
		made.Findings = append(made.Findings, f)
	}
	return nil
}

// proveTruths wants every copy, chain and checksum that is true of the source to
// be true of the card. By rules it must be; where nothing is known of the disk
// the owner is asked, for what was found on one disk may be chance; where the
// layout is known it decides, and the rest is worth a warning.
func (p *planner) proveTruths(card *card.Card) error {
	for _, t := range p.w.Truths {
		holds, err := t.Holds(card)
		var unknown *image.UnknownError
		if err != nil && !errors.As(err, &unknown) {
			return err
		}
		if holds {
			continue
		}
		f := disk.Warningf(truthCodes[t.Code()], disk.NoSector, "true of the drive, but not of the planned card: %s", t)
		switch {
		case p.rules != nil && len(p.try.guess) == 0 && !p.try.guessed:
			p.refuse(f)
		case p.try.Text != "":
			p.ask(f)
		default:
			p.note(f)
		}
	}
	return nil
}

// tailByCopies makes the tail of a disk without a table reach as far as what
// repeats its head, counted from the end: where the survey could not tell a
// tail from a recording, a copy of the head is no recording.
func (p *planner) tailByCopies() {
	if !p.need.tail.Empty() || !p.s.TailUndecided || p.assumed {
		return
	}
	start := p.s.Sectors
	for _, t := range p.w.Truths {
		if t.Mirror == nil || t.Mirror.To.From != layout.FromEnd {
			continue
		}
		for _, s := range t.Sectors(p.s.Sectors) {
			if s.Start > p.s.Sectors/2 {
				start = min(start, s.Start)
			}
		}
	}
	if start == p.s.Sectors {
		return
	}
	p.need.tail = disk.Between(start, p.s.Sectors)
	p.need.tailUsed, p.assumed = p.s.Sectors, true
	p.note(disk.Notef(disk.TailByCopy, start, "the last %s repeat the head of the disk and count from the end; they go to the new end of the card", sectors(p.need.tail.Count)))
}
