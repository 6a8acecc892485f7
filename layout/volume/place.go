package volume

import (
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Sink takes pieces in card order. A plan.Builder is one.
type Sink interface {
	Copy(s disk.Span, from disk.Sector, why layout.Reason, rank layout.Rank)
	Zero(s disk.Span, why layout.Reason, rank layout.Rank)
	Leave(s disk.Span, why layout.Reason, rank layout.Rank)
	Render(at disk.Sector, data []byte, why layout.Reason, rank layout.Rank)
	Again(at disk.Sector, first disk.Span, why layout.Reason, rank layout.Rank)
}

// Placed puts a volume on a card: it hands on what it gets, with the sectors
// of the volume turned into those of the card and of the original.
type Placed struct {
	To     Sink
	Card   disk.Sector // where the volume begins on the card
	Source disk.Sector // where it begins on the original
	Open   disk.Span   // card sectors that may be left as they are; others become zeros
}

// Copy implements Sink.
func (p Placed) Copy(s disk.Span, from disk.Sector, why layout.Reason, rank layout.Rank) {
	p.To.Copy(p.span(s), from+p.Source, why, rank)
}

// Zero implements Sink.
func (p Placed) Zero(s disk.Span, why layout.Reason, rank layout.Rank) {
	p.To.Zero(p.span(s), why, rank)
}

// Leave implements Sink.
func (p Placed) Leave(s disk.Span, why layout.Reason, rank layout.Rank) {
	s = p.span(s)
	open := s.Common(p.Open)
	if open.Empty() {
		open = disk.Span{Start: s.Start} // what they share may begin anywhere if it is empty
	}
	p.To.Zero(disk.Between(s.Start, open.Start), why, rank)
	p.To.Leave(open, why, rank)
	p.To.Zero(disk.Between(open.End(), s.End()), why, rank)
}

// Render implements Sink. What lies in sector 0 of the card is written last.
func (p Placed) Render(at disk.Sector, data []byte, why layout.Reason, rank layout.Rank) {
	if at+p.Card == 0 {
		rank = layout.RankSector0
	}
	p.To.Render(at+p.Card, data, why, rank)
}

// Again implements Sink.
func (p Placed) Again(at disk.Sector, first disk.Span, why layout.Reason, rank layout.Rank) {
	p.To.Again(at+p.Card, p.span(first), why, rank)
}

func (p Placed) span(s disk.Span) disk.Span {
	return disk.Span{Start: s.Start + p.Card, Count: s.Count}
}
