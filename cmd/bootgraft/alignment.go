package main

import (
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan"
	"bootgraft/safety"
)

// page is the least unit, in bytes, that partitions should begin on: file
// systems, processors and flash all work in 4 KiB or a multiple of it (common
// practice, no source).
const page = 4096

// place is where something begins on a card, measured against the units in
// which flash erases.
type place struct {
	What    string      `json:"what"`
	Sector  disk.Sector `json:"sector"`
	Past    disk.Sector `json:"past_boundary"` // sectors after the last boundary; 0 if it lies on one
	Aligned bool        `json:"aligned"`
	Page    bool        `json:"aligned_4k"`
}

// alignment is how what a card holds lies on it.
type alignment struct {
	Boundary int64   `json:"boundary_bytes"`
	Places   []place `json:"places"`
}

// alignmentOf measures the partitions of a card, and the data of its FAT
// volumes: what the SD specification wants on a boundary of the card
// (Physical Layer Simplified Specification 4.10, section 4.13.1).
func alignmentOf(d plan.Disk, erase int64, s *scan.Survey) alignment {
	a := alignment{Boundary: safety.Boundary(d, erase), Places: []place{}}
	add := func(what string, at disk.Sector) {
		off := int64(at) * int64(d.SectorSize)
		past := disk.Sector(off % a.Boundary / int64(d.SectorSize))
		a.Places = append(a.Places, place{what, at, past, past == 0, off%page == 0})
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
		if f := s.FAT[v.Index]; f != nil {
			add(fmt.Sprintf("data of %s", volumeName(v)), v.Start+f.Data)
		}
	}
	return a
}

func volumeName(v layout.Volume) string {
	if v.Index == 0 {
		return "the volume"
	}
	return fmt.Sprintf("volume %d", v.Index)
}

// lines say it for a person.
func (a alignment) lines(sectorSize int) []string {
	out := []string{
		fmt.Sprintf("partitions and data begin best on multiples of %s sectors (%s)", grouped(a.Boundary/int64(sectorSize)), binaryText(a.Boundary)),
		"(from memory: the table for SD cards is not public; CompactFlash: 1 MiB, common practice)",
	}
	for _, p := range a.Places {
		text := fmt.Sprintf("%s, sector %s: ", p.What, grouped(p.Sector))
		switch {
		case p.Aligned:
			text += "on a boundary"
		case p.Page:
			text += fmt.Sprintf("%s past a boundary, but on whole 4 KiB", counted(p.Past, "sector"))
		default:
			text += fmt.Sprintf("%s past a boundary, not even on whole 4 KiB: slow, and it wears the card", counted(p.Past, "sector"))
		}
		out = append(out, text)
	}
	return out
}

// binaryText writes a number of bytes that is a multiple of 1 KiB.
func binaryText(n int64) string {
	if n%(1<<20) == 0 {
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d KiB", n>>10)
}
