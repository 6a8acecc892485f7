package disk

import "fmt"

// Tile is anything that owns a run of sectors: a Region of a Map, a Piece of a
// Plan. A type gets it by embedding Span.
type Tile interface{ Extent() Span }

// TilingError says where a list of parts fails to tile the whole.
type TilingError struct {
	Index int    // which part, counted from 0; len(parts) if sectors are left over at the end
	At    Sector // the first sector that is wrong
	Why   string
}

func (e *TilingError) Error() string {
	return fmt.Sprintf("part %d, sector %s: %s", e.Index, Grouped(e.At), e.Why)
}

// CheckTiles proves that parts, in their order, tile the sectors [0, whole):
// no gap, no overlap, no empty part, nothing outside. It is the one proof
// behind the promise that every sector of an original has exactly one owner
// and every sector of a card exactly one provenance.
func CheckTiles[T Tile](whole Sector, parts []T) error {
	var at Sector
	for i, p := range parts {
		s := p.Extent()
		switch {
		case s.Count <= 0:
			return &TilingError{i, s.Start, "it holds no sector"}
		case s.Start < 0 || s.Count > whole || s.Start > whole-s.Count:
			return &TilingError{i, s.Start, fmt.Sprintf("%s is not inside the disk of %s", s, Counted(whole, "sector"))}
		case s.Start > at:
			return &TilingError{i, at, fmt.Sprintf("nobody owns the %s before it", Counted(s.Start-at, "sector"))}
		case s.Start < at:
			return &TilingError{i, s.Start, fmt.Sprintf("the part before it owns its first %s too",
				Counted(min(at-s.Start, s.Count), "sector"))}
		}
		at = s.End()
	}
	if at != whole {
		return &TilingError{len(parts), at, fmt.Sprintf("nobody owns the last %s", Counted(whole-at, "sector"))}
	}
	return nil
}
