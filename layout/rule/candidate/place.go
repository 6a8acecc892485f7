package candidate

import (
	"cmp"
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Place is a byte of a disk, counted from its start or from its end, so that
// it can be found again on a disk of another size.
type Place struct {
	From   layout.Anchor `json:"from"`   // FromStart or FromEnd
	Sector disk.Sector   `json:"sector"` // from the start: 0 is the first; from the end: 1 is the last
	Byte   int           `json:"byte"`   // in that sector
}

// At returns the sector of the place on a disk of n sectors. It may lie
// outside a disk that is too small.
func (p Place) At(n disk.Sector) disk.Sector {
	if p.From == layout.FromEnd {
		return n - p.Sector
	}
	return p.Sector
}

// String writes the place as people count it: "sector 5, byte 96", or
// "end-1, byte 0".
func (p Place) String() string { return fmt.Sprintf("%s, byte %d", p.SectorText(), p.Byte) }

// SectorText writes the sector of the place as people count it.
func (p Place) SectorText() string {
	if p.From == layout.FromEnd {
		return fmt.Sprintf("end-%d", p.Sector)
	}
	return fmt.Sprintf("sector %d", p.Sector)
}

// SectorStart returns the place of the first byte of the same sector.
func (p Place) SectorStart() Place { p.Byte = 0; return p }

// After returns the place n sectors further towards the end of the disk.
func (p Place) After(n disk.Sector) Place {
	if p.From == layout.FromEnd {
		n = -n
	}
	p.Sector += n
	return p
}

// Compare orders places as they lie on a disk that has room for all those
// counted from its start before those counted from its end.
func (p Place) Compare(q Place) int {
	if p.From != q.From {
		if p.From == layout.FromStart {
			return -1
		}
		return 1
	}
	c := cmp.Compare(p.Sector, q.Sector)
	if p.From == layout.FromEnd {
		c = -c
	}
	return cmp.Or(c, cmp.Compare(p.Byte, q.Byte))
}

// Area is a run of sectors to look into, and the end of the disk from which
// their place is counted.
type Area struct {
	disk.Span
	// From is FromStart, FromEnd, or empty where that is not known: then from
	// the start, but a copy of what another area holds counts from the end.
	From layout.Anchor
}

// Reach is how many bytes are looked into at most at either end of the areas.
const Reach = 64 << 20

// bound returns the areas, which are in order, without what lies further than
// Reach bytes from the first and from the last sector of them all.
func bound(areas []Area, sectorSize int) []Area {
	most := disk.Sector(Reach / sectorSize)
	var total, before disk.Sector
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
