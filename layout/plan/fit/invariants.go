package fit

import (
	"errors"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/rule/candidate"
)

// proveInvariants wants every copy, chain and checksum that is true of the source to
// be true of the card. Where nothing is known of the disk, or rules do not speak of it,
// the owner is asked, for what was found on one disk may be chance; where the layout is
// known it decides, and the rest is worth a warning.
func (p *proof) proveInvariants(card *card.Card) error {
	for _, t := range p.w.Invariants {
		holds, err := t.Holds(card)
		var unknown *image.UnknownError
		if err != nil && !errors.As(err, &unknown) {
			return err
		}
		if holds {
			continue
		}
		f := disk.Warningf(t.Code(), disk.NoSector, "true of the drive, but not of the planned card: %s", t.Text())
		if p.rules != nil || p.try.Text != "" && p.unknown() {
			p.ask(f)
		} else {
			p.note(f)
		}
	}
	return nil
}

// tailByCopies makes the tail of a disk without a table reach as far as what
// repeats its head, counted from the end: where the survey could not tell a
// tail from a recording, a copy of the head is no recording.
func (p *course) tailByCopies(t tail) (_ tail, out said, _ error) {
	if !t.Empty() || !p.s.TailUndecided || t.why != tailSurveyed {
		return t, out, nil
	}
	start := p.s.Sectors
	for _, x := range p.w.Invariants {
		if c, ok := x.(*candidate.Copy); !ok || c.To.From != layout.FromEnd {
			continue
		}
		for _, s := range x.Sectors(p.s.Sectors) {
			if s.Start > p.s.Sectors/2 {
				start = min(start, s.Start)
			}
		}
	}
	if start == p.s.Sectors {
		return t, out, nil
	}
	t = t.from(disk.Between(start, p.s.Sectors), tailCopied)
	out.note(disk.Notef(disk.TailByCopy, start,
		"the last %s repeat the head of the disk and count from the end; they go to the new end of the card",
		sectors(t.Count)))
	return t, out, nil
}
