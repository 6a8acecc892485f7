package ata

import (
	"bootgraft/image/disk"
)

// Findings says that a drive is locked, if it is.
func (s Security) Findings() []disk.Finding {
	if !s.Locked {
		return nil
	}
	return []disk.Finding{disk.Warningf(disk.DriveLocked, disk.NoSector,
		"the drive is locked with a password: it answers, but gives none of its sectors. "+
			"No password was tried, and none will be: after five wrong ones a drive shuts")}
}

// Findings says what does not agree with a disk of so many sectors, as the system or
// an image shows it, and what keeps the drive from being read.
func (id *Identify) Findings(sectors disk.Sector, sectorSize int) []disk.Finding {
	out := id.Security.Findings()
	ours, theirs := int64(sectors)*int64(sectorSize), int64(id.Sectors)*int64(id.SectorSize)
	switch {
	case ours == theirs:
	case sectorSize != id.SectorSize:
		out = append(out, disk.Warningf(disk.DriveSaysOther, disk.NoSector,
			"the drive says that it has %s, and what was read has %s: a bridge may count in other sectors",
			disk.SizeText(id.Sectors, id.SectorSize), disk.SizeText(sectors, sectorSize)))
	case sectors < id.Sectors:
		out = append(out, disk.Warningf(disk.DriveSaysOther, sectors,
			"the drive says that it has %s, and what was read ends after %s: the last %s are missing, and a tail "+
				"would lie in them",
			disk.Counted(id.Sectors, "sector"), disk.Counted(sectors, "sector"), disk.Counted(id.Sectors-sectors, "sector")))
	default:
		out = append(out, disk.Warningf(disk.DriveSaysOther, id.Sectors,
			"the drive says that it has %s, and what was read has %s: the device may count with the smaller number, or an area "+
				"that the drive hid was opened since",
			disk.Counted(id.Sectors, "sector"), disk.Counted(sectors, "sector")))
	}
	return out
}
