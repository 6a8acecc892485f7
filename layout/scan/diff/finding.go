package diff

import (
	"fmt"

	"bootgraft/image/disk"
)

// find puts what somebody has to act on into findings.
func (w *work) findings() {
	r := w.out
	for i := range r.Readings {
		x := &r.Readings[i]
		if !x.Proved() {
			continue
		}
		if x.WasDrive {
			r.Findings = append(r.Findings, disk.Warningf(disk.DeviceWroteSize, x.Sector,
				"byte %d held %d, by the old drive, and the device made it %d, by the card (%s): the plan has to "+
					"follow this number",
				x.Byte, x.Was, x.Value, x.Meaning))
			continue
		}
		was := "no number"
		if x.WasNumber {
			was = fmt.Sprint(x.Was)
		}
		r.Findings = append(r.Findings, disk.Notef(disk.DeviceWroteSize, x.Sector,
			"byte %d: the device wrote %d, %s; it was %s", x.Byte, x.Value, x.Meaning, was))
	}
	for _, v := range r.Volumes {
		r.Findings = append(r.Findings, disk.Warningf(disk.VolumeMadeNew, v.Start,
			"volume %d is a new %s volume%s; %s of the one before %s gone",
			v.Index, v.Kind, maker(v.Maker), disk.Counted(v.Lost, "file"), disk.IsAre(v.Lost)))
	}
	if w.desktop {
		r.Findings = append(r.Findings, disk.Warningf(disk.DesktopMounted, disk.NoSector,
			"a computer mounted the card: it made %s", someOf(r.Files.Desktop)))
	}
	if r.Original {
		r.Findings = append(r.Findings, disk.Notef(disk.DeviceInitialised, disk.NoSector,
			"the device made a layout of its own for %s: this image is an original of that size", disk.Counted(r.Sectors,
				"sector")))
	}
}

func maker(name string) string {
	if name == "" {
		return ""
	}
	return fmt.Sprintf(" (its boot sector says it was made by %q)", name)
}
