package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
)

// Identify tells what a drive says of itself, if it was asked.
func Identify(u *talk.UI, id *ata.Identify) {
	if id == nil {
		return
	}
	u.Answerf("\nThe drive says of itself:\n")
	u.Rows("model", id.Model)
	for _, row := range [][2]string{{"serial", id.Serial}, {"firmware", id.Firmware}} {
		if row[1] != "" {
			u.Rows(row[0], row[1])
		}
	}
	u.Rows("size", disk.SizeText(id.Sectors, id.SectorSize))
	u.Rows("geometry", geometryText(id.Default))
	if id.Current != (ata.Geometry{}) && id.Current != id.Default {
		u.Rows("", "now "+geometryText(id.Current))
	}
	u.Rows("password", securityText(id.Security))
	if id.Protected {
		u.Rows("hidden", "it can hide an area at its end (host protected area); whether it does is not said here")
	}
	if id.CompactFlash {
		u.Rows("kind", "a CompactFlash card, or a 1-inch drive, which answers alike")
	}
	if !id.Checked {
		u.Rows("checksum", "none that is right: the drive is older than it, or the answer was damaged on its way")
	}
}

func geometryText(g ata.Geometry) string {
	return fmt.Sprintf("%s, %s, %s in a track: %s", disk.Counted(g.Cylinders, "cylinder"), disk.Counted(g.Heads, "head"),
		disk.Counted(g.Sectors, "sector"), disk.Counted(g.Total(), "sector"))
}

func securityText(s ata.Security) string {
	switch {
	case s.Locked:
		return "set, and the drive is LOCKED"
	case s.Enabled:
		return "set, and the drive is open now; after the next power-on it is locked"
	case s.Supported:
		return "none is set"
	}
	return "the drive knows none"
}
