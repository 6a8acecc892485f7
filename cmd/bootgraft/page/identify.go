package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
)

// Said tells what a drive says of itself, if it was asked. shown is what the system
// shows of it: behind a bridge, the bridge.
func Said(u *talk.UI, d ata.Drive, shown image.Identity) {
	if d.Identify == nil {
		if line := DriveLine(d); line != "" {
			u.Answerf("\n")
			u.Wrapped("", line)
		}
		return
	}
	id := d.Identify
	u.Answerf("\nThe drive says of itself:\n")
	u.Rows("model", id.Model)
	for _, row := range [][2]string{{"serial", id.Serial}, {"firmware", id.Firmware}} {
		if row[1] != "" {
			u.Rows(row[0], row[1])
		}
	}
	if shown.Bus == "usb" {
		u.Rows("reader", nameText(shown))
	}
	u.Rows("size", disk.SizeText(id.Sectors, id.SectorSize))
	u.Rows("geometry", geometryText(id.Default))
	if id.Current != (ata.Geometry{}) && id.Current != id.Default {
		u.Rows("", "now "+geometryText(id.Current))
	}
	u.Rows("password", securityText(id.Security))
	if text := hiddenText(d); text != "" {
		u.Rows("hidden", text)
	}
	if text := powerTexts[d.Power]; text != "" {
		u.Rows("motor", text)
	}
	if id.CompactFlash {
		u.Rows("kind", "a CompactFlash card, or a 1-inch drive, which answers alike")
	}
	if !id.Checked {
		u.Rows("checksum", "none that is right: the drive is older than it, or the answer was damaged on its way")
	}
	if d.Why != "" {
		u.Rows("not asked", "all else: "+d.Why)
	}
}

// DriveLine says in one line what a drive says of itself, or why that is not known;
// nothing where it is none that can be asked.
func DriveLine(d ata.Drive) string {
	switch id := d.Identify; {
	case id != nil && id.Serial != "":
		return fmt.Sprintf("The drive says: %s, serial %s, %s.", id.Model, id.Serial,
			disk.SizeText(id.Sectors, id.SectorSize))
	case id != nil:
		return fmt.Sprintf("The drive says: %s, %s.", id.Model, disk.SizeText(id.Sectors, id.SectorSize))
	case d.Why != "":
		return "What the drive says of itself is not known: " + d.Why + "."
	}
	return ""
}

var powerTexts = map[ata.Power]string{
	ata.Active: "running", ata.Idle: "running, at rest", ata.Standby: "it stood still when the drive was asked",
}

// hiddenText says whether the drive hides an area at its end.
func hiddenText(d ata.Drive) string {
	switch {
	case d.Hidden() > 0:
		return sectors(d.Hidden(), "at its end (host protected area), which are not read")
	case d.Native > 0:
		return "nothing: it shows all the sectors that it has"
	case d.Identify.Protected:
		return "it can hide an area at its end (host protected area); whether it does is not said here"
	}
	return ""
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
