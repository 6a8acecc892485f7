package boot

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/layout"
)

// Place is a byte of a disk, counted from its start or from its end, so that
// it can be found again on a disk of another size.
type Place struct {
	From   layout.Anchor `json:"from"`   // FromStart or FromEnd
	Sector layout.Sector `json:"sector"` // from the start: 0 is the first; from the end: 1 is the last
	Byte   int           `json:"byte"`   // in that sector
}

// At returns the sector of the place on a disk of n sectors. It may lie
// outside a disk that is too small.
func (p Place) At(n layout.Sector) layout.Sector {
	if p.From == layout.FromEnd {
		return n - p.Sector
	}
	return p.Sector
}

// String writes the place as people count it.
func (p Place) String() string {
	at := fmt.Sprintf("sector %d", p.Sector)
	if p.From == layout.FromEnd {
		at = fmt.Sprintf("end-%d", p.Sector)
	}
	if p.Byte != 0 {
		at += fmt.Sprintf(", byte %d", p.Byte)
	}
	return at
}

// after returns the place n sectors further towards the end of the disk.
func (p Place) after(n layout.Sector) Place {
	if p.From == layout.FromEnd {
		n = -n
	}
	p.Sector += n
	return p
}

// Area is a run of sectors to look into, and the end of the disk from which
// their place is counted.
type Area struct {
	layout.Span
	// From is FromStart, FromEnd, or empty where that is not known: then from
	// the start, but a copy of what another area holds counts from the end.
	From layout.Anchor
}

// Reach is how many bytes are looked into at most at either end of the areas.
const Reach = 64 << 20

// Bound returns the areas, which are in order, without what lies further than
// Reach bytes from the first and from the last sector of them all.
func Bound(areas []Area, sectorSize int) []Area {
	most := layout.Sector(Reach / sectorSize)
	var total, before layout.Sector
	for _, a := range areas {
		total += a.Count
	}
	var out []Area
	for _, a := range areas {
		head := a
		head.Count = min(a.Count, max(0, most-before))
		tail := a
		tail.Start = max(head.End(), a.End()-max(0, most-(total-before-a.Count)))
		tail.Count = a.End() - tail.Start
		switch {
		case head.Empty() || tail.Empty() || head.End() < tail.Start:
			for _, part := range []Area{head, tail} {
				if !part.Empty() {
					out = append(out, part)
				}
			}
		default:
			out = append(out, a)
		}
		before += a.Count
	}
	return out
}

// Ends returns the first and the last Reach bytes of a disk as areas; those of
// a small disk meet in its middle.
func Ends(src image.Source) []Area {
	n := image.Sectors(src)
	half := min(layout.Sector(Reach/src.SectorSize()), n/2)
	head := Area{layout.Span{Count: half}, layout.FromStart}
	tail := Area{layout.Between(max(half, n-layout.Sector(Reach/src.SectorSize())), n), layout.FromEnd}
	if head.Empty() {
		return []Area{{image.Whole(src), layout.FromStart}}
	}
	return []Area{head, tail}
}
