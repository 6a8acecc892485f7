package resize

import "bootgraft/layout"

// Sink takes pieces in card order. A plan.Builder is one.
type Sink interface {
	Copy(s layout.Span, from layout.Sector, why layout.Reason, rank layout.Rank)
	Zero(s layout.Span, why layout.Reason, rank layout.Rank)
	Leave(s layout.Span, why layout.Reason, rank layout.Rank)
	Render(at layout.Sector, data []byte, why layout.Reason, rank layout.Rank)
	Again(at layout.Sector, first layout.Span, why layout.Reason, rank layout.Rank)
}

// Placed puts a volume on a card: it hands on what it gets, with the sectors
// of the volume turned into those of the card and of the original.
type Placed struct {
	To     Sink
	Card   layout.Sector // where the volume begins on the card
	Source layout.Sector // where it begins on the original
	Open   layout.Span   // card sectors that may be left as they are; others become zeros
}

// Copy implements Sink.
func (p Placed) Copy(s layout.Span, from layout.Sector, why layout.Reason, rank layout.Rank) {
	p.To.Copy(p.span(s), from+p.Source, why, rank)
}

// Zero implements Sink.
func (p Placed) Zero(s layout.Span, why layout.Reason, rank layout.Rank) {
	p.To.Zero(p.span(s), why, rank)
}

// Leave implements Sink.
func (p Placed) Leave(s layout.Span, why layout.Reason, rank layout.Rank) {
	s = p.span(s)
	open := s.Common(p.Open)
	if open.Empty() {
		open = layout.Span{Start: s.Start} // what they share may begin anywhere if it is empty
	}
	p.To.Zero(layout.Between(s.Start, open.Start), why, rank)
	p.To.Leave(open, why, rank)
	p.To.Zero(layout.Between(open.End(), s.End()), why, rank)
}

// Render implements Sink. What lies in sector 0 of the card is written last.
func (p Placed) Render(at layout.Sector, data []byte, why layout.Reason, rank layout.Rank) {
	if at+p.Card == 0 {
		rank = layout.RankSector0
	}
	p.To.Render(at+p.Card, data, why, rank)
}

// Again implements Sink.
func (p Placed) Again(at layout.Sector, first layout.Span, why layout.Reason, rank layout.Rank) {
	p.To.Again(at+p.Card, p.span(first), why, rank)
}

func (p Placed) span(s layout.Span) layout.Span {
	return layout.Span{Start: s.Start + p.Card, Count: s.Count}
}
