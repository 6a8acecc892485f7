package fit

import (
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/mbr"
)

// tellHeads says that a machine which takes its heads from the capacity counts otherwise
// on the card than on the drive. Which machine does nobody can tell from a drive; where
// the drive was counted as such a machine counts, it may well be one.
func (p *placement) tellHeads() (out said) {
	before, now := mbr.Assist(p.s.Sectors), mbr.Assist(p.w.Target.Sectors)
	if before == now || p.w.Target.SectorSize != bytesOfBIOS || p.s.Table != "mbr" && p.s.Volume(0) == nil {
		return out
	}
	text := fmt.Sprintf("a machine that takes its heads from the capacity counts %d of them on the drive and %d on the "+
		"card "+
		"(LBA-assist translation by the table in dosfstools, src/mkfs.fat.c; a BIOS may translate otherwise, or ask the "+
		"card)",
		before.Heads, now.Heads)
	counts, alike := p.countedIn(before)
	if !alike {
		out.note(disk.Notef(disk.HeadsByCapacity, 0, "%s. %s", text, counts))
		return out
	}
	out.note(disk.Warningf(disk.HeadsByCapacity, 0,
		"%s. %s, as such a machine does: boot code that counts in cylinders finds other sectors on the card then. "+
			"Loaders that use sector numbers do not mind. A card of %s keeps the heads", text, counts, sizesWith(before, now)))
	return out
}

// bytesOfBIOS is the size of the sectors that a BIOS counts.
const bytesOfBIOS = 512

// countedIn says in what the table and the volumes of the card count, and whether one
// of them counts as g does. Who says nothing may count so too.
func (p *given) countedIn(g mbr.Geometry) (text string, alike bool) {
	if h := p.w.Volumes.Heads; h != nil {
		return fmt.Sprintf("Table and boot sectors are made to count %d heads", h.Heads), *h == g
	}
	var names []string
	add := func(name string, c layout.Geometry) {
		if c.Known() {
			names = append(names, fmt.Sprintf("%s counts %d heads", name, c.Heads))
			alike = alike || c.Heads == g.Heads && c.Sectors == g.SectorsPerTrack
		}
	}
	for _, t := range p.s.Tables {
		if t.State == layout.InForce {
			add("the table", t.Geometry)
		}
	}
	for _, v := range p.s.Volumes[:min(len(p.s.Volumes), maxListed)] {
		name := "the volume"
		if v.Index > 0 {
			name = fmt.Sprintf("volume %d", v.Index)
		}
		add(name, v.Geometry)
	}
	switch {
	case names == nil:
		return "Nothing on the drive says in what it is counted", false
	case !alike:
		names = append(names, "so the drive was not counted by its capacity")
	}
	text = strings.Join(names, ", ")
	return strings.ToUpper(text[:1]) + text[1:], alike
}

// sizesWith says which sizes have the heads of before by LBA-assist translation, on the
// side of those that have the heads of now.
func sizesWith(before, now mbr.Geometry) string {
	most := func(g mbr.Geometry) disk.Sector {
		return disk.Sector(g.Heads*g.SectorsPerTrack) * (mbr.MaxCylinder + 1)
	}
	if now.Heads > before.Heads {
		return "at most " + sectors(most(before))
	}
	below := mbr.Geometry{Heads: (before.Heads + 1) / 2, SectorsPerTrack: before.SectorsPerTrack} // 255 after 128
	return "at least " + sectors(most(below)+1)
}
