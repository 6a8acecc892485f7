package mbr

import (
	"bootgraft/image/disk"
)

// CHS is a sector address as cylinder, head and sector, in the three bytes of
// a partition record: cylinder 0 to 1023, head 0 to 255, sector 1 to 63.
type CHS struct {
	C uint16
	H uint8
	S uint8
}

// The tuples that stand for "beyond cylinder 1023" whatever the geometry
// (util-linux, libblkid/src/partitions/dos.c).
var (
	Overflow254 = CHS{1023, 254, 63} // FE FF FF
	Overflow255 = CHS{1023, 255, 63} // FF FF FF
)

// MaxCylinder is the last cylinder that a record can name.
const MaxCylinder = 1023

// UnpackCHS reads the three bytes of a record: head, sector with the high
// cylinder bits, low cylinder bits (util-linux, include/pt-mbr.h).
func UnpackCHS(b [3]byte) CHS {
	return CHS{C: uint16(b[1]&0xC0)<<2 | uint16(b[2]), H: b[0], S: b[1] & 0x3F}
}

// Pack is the reverse of UnpackCHS. Bits that do not fit are lost.
func (c CHS) Pack() [3]byte {
	return [3]byte{c.H, c.S&0x3F | byte(c.C>>2)&0xC0, byte(c.C)}
}

// Overflowed tells whether the tuple only says that the address is too large
// to be written.
func (c CHS) Overflowed() bool { return c == Overflow254 || c == Overflow255 }

// Geometry is the shape in which CHS tuples are counted. The zero value means
// that it is not known.
type Geometry struct {
	Heads           int // 1 to 256
	SectorsPerTrack int // 1 to 63
}

// Known tells whether g is a geometry that a tuple can be counted in.
func (g Geometry) Known() bool { return g.Heads > 0 && g.SectorsPerTrack > 0 }

func (g Geometry) cylinder() disk.Sector {
	return disk.Sector(g.Heads) * disk.Sector(g.SectorsPerTrack)
}

// FromLBA returns the tuple of a sector. An address beyond cylinder 1023 is
// clamped to the last sector of that cylinder, as libfdisk does. The geometry
// must be Known and lba not negative.
func FromLBA(lba disk.Sector, g Geometry) CHS {
	spt, c := disk.Sector(g.SectorsPerTrack), lba/g.cylinder()
	if c > MaxCylinder {
		return g.clamp()
	}
	return CHS{uint16(c), uint8(lba / spt % disk.Sector(g.Heads)), uint8(lba%spt) + 1}
}

func (g Geometry) clamp() CHS {
	return CHS{MaxCylinder, uint8(g.Heads - 1), uint8(g.SectorsPerTrack)}
}

// LBA returns the sector that the tuple names: (C*heads + H)*sectors + S - 1.
func (c CHS) LBA(g Geometry) disk.Sector {
	spt := disk.Sector(g.SectorsPerTrack)
	return (disk.Sector(c.C)*disk.Sector(g.Heads)+disk.Sector(c.H))*spt + disk.Sector(c.S) - 1
}

// EndCHS returns the end tuple of an entry. Without a known geometry it is
// the overflow tuple FE FF FF, which every reader takes for "use the LBA".
func EndCHS(start, count disk.Sector, g Geometry) CHS {
	if !g.Known() {
		return Overflow254
	}
	return FromLBA(start+count-1, g)
}

// Assist returns the geometry of LBA-assist translation for a disk of total
// sectors. The table is that of dosfstools, src/mkfs.fat.c.
func Assist(total disk.Sector) Geometry {
	const track, cylinders = 63, 1024
	for heads := 16; heads <= 128; heads *= 2 {
		if total <= disk.Sector(heads)*track*cylinders {
			return Geometry{heads, track}
		}
	}
	return Geometry{255, track}
}
