package compare

import (
	"cmp"
	"fmt"

	"bootgraft/layout"
)

// Place is a byte of a disk, counted from its start or from its end.
type Place struct {
	From   layout.Anchor `json:"from"`   // FromStart or FromEnd
	Sector layout.Sector `json:"sector"` // from the start: 0 is the first; from the end: 1 is the last
	Byte   int           `json:"byte"`   // in that sector
}

// At returns the sector of the place on a disk of n sectors.
func (p Place) At(n layout.Sector) layout.Sector {
	if p.From == layout.FromEnd {
		return n - p.Sector
	}
	return p.Sector
}

// String writes the place as people count it.
func (p Place) String() string { return fmt.Sprintf("%s, byte %d", p.sectorText(), p.Byte) }

func (p Place) sectorText() string {
	if p.From == layout.FromEnd {
		return fmt.Sprintf("end-%d", p.Sector)
	}
	return fmt.Sprintf("sector %d", p.Sector)
}

// sector returns the place of the first byte of the same sector.
func (p Place) sector() Place { p.Byte = 0; return p }

// after returns the place n sectors further towards the end of the disk.
func (p Place) after(n layout.Sector) Place {
	if p.From == layout.FromEnd {
		n = -n
	}
	p.Sector += n
	return p
}

// compare orders places as they lie on a disk that has room for both areas.
func (p Place) compare(q Place) int {
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
