package held

import (
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety"
)

// page is the least unit, in bytes, that partitions should begin on: file
// systems, processors and flash all work in 4 KiB or a multiple of it (common
// practice, no source).
const page = 4096

// Begin is where something begins on a card, measured against the units in
// which flash erases.
type Begin struct {
	What    string
	Sector  disk.Sector
	Past    disk.Sector // sectors after the last boundary; 0 if it lies on one
	Aligned bool
	Page    bool
}

// Alignment is how what a card holds lies on it.
type Alignment struct {
	Boundary int64
	Places   []Begin
}

// AlignmentOf measures the partitions of a card, and the data of its FAT
// volumes: what the SD specification wants on a boundary of the card
// (Physical Layer Simplified Specification 4.10, section 4.13.1).
func AlignmentOf(d plan.Size, erase int64, s *layout.Map) Alignment {
	a := Alignment{Boundary: safety.Boundary(d, erase), Places: []Begin{}}
	add := func(what string, at disk.Sector) {
		off := int64(at) * int64(d.SectorSize)
		past := disk.Sector(off % a.Boundary / int64(d.SectorSize))
		a.Places = append(a.Places, Begin{what, at, past, past == 0, off%page == 0})
	}
	if s == nil {
		return a
	}
	for _, e := range s.Entries {
		if e.Extended || e.NoVolume {
			continue
		}
		add(fmt.Sprintf("partition %d", e.Index), e.Start)
	}
	for _, v := range s.Volumes {
		for _, data := range v.PartsOf(layout.PartData) {
			add(fmt.Sprintf("data of %s", layout.VolumeName(v.Index)), data.Start)
		}
	}
	return a
}
