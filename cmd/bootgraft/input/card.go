package input

import (
	"fmt"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
)

// Card is the card that a plan is made for, as it was typed.
type Card struct {
	plan.Size
	Findings []disk.Finding // about the way in which its size was given
}

// CardSize finds out how large the card is: from a size, or from a card or an image
// file that is only read. source is the number of sectors of the drive.
func CardSize(size, target string, sectorSize int, source disk.Sector) (c Card, err error) {
	c.SectorSize = sectorSize
	if size == "" {
		c.Sectors, err = sizeOf(target, sectorSize)
		return c, err
	}
	s, err := ParseSize(size, sectorSize)
	if err == nil {
		err = s.AsCard(source, size)
	}
	c.Sectors = s.Sectors
	if s.Nominal {
		c.Findings = append(c.Findings, disk.Notef(disk.NominalSize, disk.NoSector,
			"%s is a size as printed on a package; no real card has exactly that many sectors. "+
				"Read the number of sectors from the card at hand and plan again", size))
	}
	return c, err
}

// sizeOf reads the size of a card or an image file, in sectors of sectorSize bytes.
func sizeOf(target string, sectorSize int) (disk.Sector, error) {
	t, closeTarget, err := OpenReadOnly(target, sectorSize)
	if err != nil {
		return 0, err
	}
	defer closeTarget()
	if t.SectorSize() != sectorSize {
		return 0, talk.Refusef("%s has sectors of %d bytes, and the source has sectors of %d: it cannot take its place",
			target, t.SectorSize(), sectorSize)
	}
	if t.Size()%int64(sectorSize) != 0 || t.Size() == 0 {
		return 0, fmt.Errorf("%s has %d bytes, which are not whole sectors of %d; it cannot stand for a card",
			target, t.Size(), sectorSize)
	}
	return image.Sectors(t), nil
}
