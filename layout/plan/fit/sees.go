package fit

import (
	"context"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// planSeen plans a card for a device that sees w.Sees sectors of it, whatever it has:
// by a jumper, a clip, or because its firmware knows one size. Everything that follows
// from the size (the tail, the second copy of a GPT, volumes, numbers of the rules) is
// planned, and proved, for the disk that the device sees; what lies behind it is excess.
func planSeen(ctx context.Context, src image.Source, s *layout.Map, w Wishes) (*plan.Plan, error) {
	card, sees := w.Target.Sectors, w.Sees
	if sees < 0 || sees > card {
		return nil, &Refused{Why: []disk.Finding{disk.Refusalf(disk.DeviceSeesMore, disk.NoSector,
			"the device is said to see %s, and the card has %s: it would read sectors that are not there. "+
				"Take a card of %s or more",
			disk.Counted(sees, "sector"), disk.Counted(card, "sector"), disk.Counted(sees, "sector"))}, Smallest: sees}
	}
	w.Target.Sectors, w.Sees = sees, 0
	p, err := Plan(ctx, src, s, w)
	if r := IsRefused(err); r != nil {
		r.Smallest, r.Accepting = 0, 0 // no card helps: it is the device that sees too little
	}
	if err != nil {
		return nil, err
	}
	p.Target.Sectors, p.Sees = card, sees
	p.Pieces = append(p.Pieces, behind(disk.Between(sees, card), w.Excess, disk.Sector(plan.Edge/w.Target.SectorSize))...)
	p.Findings = append(p.Findings, disk.Notef(disk.DeviceSees, sees,
		"the card is planned for a device that sees its first %s: the end of the disk is there, and with it the tail, "+
			"a second table, and every number that follows from the size. The %s behind it belong to nobody. "+
			"What shows all of the card, such as a PC, finds the end elsewhere",
		disk.Counted(sees, "sector"), disk.Counted(card-sees, "sector")))
	return p, nil
}

// behind is what becomes of the sectors that the device does not see: as with all
// excess, nothing old is left at the end of the card, where a PC looks for tables.
func behind(s disk.Span, e Excess, edge disk.Sector) []layout.Piece {
	clear := disk.Between(max(s.Start, s.End()-edge), s.End())
	if e == ExcessZero {
		clear = s
	}
	var out []layout.Piece
	if left := disk.Between(s.Start, clear.Start); !left.Empty() {
		out = append(out, layout.Piece{Span: left, Op: layout.Leave, Rank: layout.RankData, Why: layout.WhyExcess})
	}
	return append(out, layout.Piece{Span: clear, Op: layout.Zero, Rank: layout.RankData, Why: layout.WhyExcess})
}
