package fit

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout/table/mbr"
)

// wall is a number of sectors at which devices are known to stop.
type wall struct {
	code  disk.Code
	first disk.Sector // that is out of reach
	what  string      // what stops there
}

// walls lists those that hold for any disk: 28-bit addresses of ATA reach
// sector 2^28-1 (ATA-6 brought 48-bit ones); a number with a sign in 32 bits
// reaches 2^31-1 (common practice, no source).
func (p *given) wallsOfDevices() []wall {
	out := []wall{
		{disk.Wall28Bit, 1 << 28, "a device with 28-bit addresses reaches no further"},
		{disk.Wall31Bit, 1 << 31, "a device that keeps sector numbers in 32 bits with a sign reaches no further"},
	}
	if p.s.Table != "mbr" {
		return out
	}
	g, known := mbr.Geometry{Heads: 255, SectorsPerTrack: 63}, "the largest that is usual"
	if own, ok := p.open.mbr.Geometry(); ok {
		g, known = own, "that of its table"
	}
	// A tuple has 10 bits for the cylinder (EFI Specification 1.02, table 16-5).
	return append(out, wall{disk.WallCylinders, (mbr.MaxCylinder + 1) * disk.Sector(g.Heads*g.SectorsPerTrack),
		fmt.Sprintf("a device that counts in cylinders reaches 1,024 of them, of %d heads and %d sectors (%s)", g.Heads,
			g.SectorsPerTrack, known)})
}

// tellWalls says which walls the card crosses that the original did not, and
// what lies behind them. Whether the device knows more nobody can tell from a
// drive that never asked for it.
func (p *placement) tellWalls() (out said) {
	for _, w := range p.wallsOfDevices() {
		if p.s.Sectors > w.first || p.w.Target.Sectors <= w.first {
			continue
		}
		text := fmt.Sprintf("%s: the last sector is %s, and the card has %s", w.what, grouped(int64(w.first-1)),
			sectors(p.w.Target.Sectors))
		if far := p.beyond(w.first); len(far) > 0 {
			out.note(disk.Warningf(w.code, w.first,
				"%s. Behind it lies %s. Find out what the device reaches before it writes there", text, strings.Join(far, ", ")))
		} else {
			out.note(disk.Notef(w.code, w.first, "%s. Nothing of this plan lies behind it", text))
		}
	}
	out.also(p.wallsOfVolumes())
	return out
}

// beyond names what lies at or behind a sector of the card.
func (p *placement) beyond(first disk.Sector) (far []string) {
	if p.tail.atEnd() && p.w.Target.Sectors-p.backup() > first {
		far = append(far, "the tail, which --tail same-place or --tail both keeps at its old address")
	}
	for _, e := range p.s.Entries {
		if e.HoldsVolume() && p.newEnd(e) > first && len(far) < maxListed {
			far = append(far, fmt.Sprintf("the end of entry %d", e.Index))
		}
	}
	if r := p.sized[0]; r != nil && r.Sectors > first {
		far = append(far, "the end of the volume")
	}
	if p.backup() > 0 {
		far = append(far, "the second copy of the GUID partition table")
	}
	return far
}

// wallsOfVolumes says where its format does not let a volume fill the room that a
// larger card gives it.
func (p *placement) wallsOfVolumes() (out said) {
	if p.w.Target.Sectors <= p.s.Sectors {
		return out
	}
	for _, index := range slices.Sorted(maps.Keys(p.open.resizable)) {
		span := p.volumeSpan(index)
		if p.s.Volume(index) == nil {
			continue
		}
		if f := p.open.resizable[index].Wall(p.roomAfter(span) - span.Start); f != nil {
			out.note(inVolume(*f, index, span))
		}
	}
	return out
}
