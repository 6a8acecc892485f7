package fat

import (
	"encoding/binary"
	"time"

	"bootgraft/image/disk"
)

// EntrySize is how many bytes a directory entry has.
const EntrySize = 32

// Marks in the first byte of an entry.
const (
	FreeMark = 0xE5 // it was deleted
	EndMark  = 0x00 // it comes after the last
)

// Attr is the attribute byte of a directory entry. FG, "FAT Directory Structure".
type Attr byte

// The attributes.
const (
	AttrReadOnly Attr = 0x01
	AttrHidden   Attr = 0x02
	AttrSystem   Attr = 0x04
	AttrLabel    Attr = 0x08
	AttrDir      Attr = 0x10
	AttrArchive  Attr = 0x20
	AttrLong     Attr = 0x0F // a part of a long name; bits 6 and 7 do not count
)

// A long name lies before its entry in parts, the last one first. FG, "Long
// Directory Entries".
const (
	LastPart   = 0x40 // in the number of the part that lies first
	UnitsAPart = 13   // of UTF-16
)

// UnitsAt are the places of the units in a part.
var UnitsAt = [UnitsAPart]int{1, 3, 5, 7, 9, 14, 16, 18, 20, 22, 24, 28, 30}

// Long tells whether the entry is a part of a long name.
func (a Attr) Long() bool { return a&0x3F == AttrLong }

// Slot is where an entry lies: a sector of the volume, and a byte in it.
type Slot struct {
	Sector disk.Sector
	Offset int
}

// Raw is a directory entry as it lies on the disk.
type Raw [EntrySize]byte

// Attr returns the attributes.
func (r *Raw) Attr() Attr { return Attr(r[11]) }

// Case returns the byte in which some systems keep that the base (08h) or the
// extension (10h) of a short name is in lower case; reserved in FG.
func (r *Raw) Case() byte { return r[12] }

// Size returns the size of the file in bytes; it is 0 for a directory.
func (r *Raw) Size() int64 { return int64(binary.LittleEndian.Uint32(r[28:])) }

// Cluster returns the first cluster. Bytes 20 and 21 count on FAT32 only:
// elsewhere some systems keep a handle of extended attributes there.
func (r *Raw) Cluster(k Kind) uint32 {
	c := uint32(binary.LittleEndian.Uint16(r[26:]))
	if k == FAT32 {
		c |= uint32(binary.LittleEndian.Uint16(r[20:])) << 16
		c &= k.Mask()
	}
	return c
}

// SetCluster changes the first cluster and nothing else.
func (r *Raw) SetCluster(k Kind, c uint32) {
	binary.LittleEndian.PutUint16(r[26:], uint16(c))
	if k == FAT32 {
		high := binary.LittleEndian.Uint16(r[20:])&0xF000 | uint16(c>>16)&0x0FFF
		binary.LittleEndian.PutUint16(r[20:], high)
	}
}

// Modified returns the time of the last change, as the wall clock of the
// system that wrote it; its zone is not recorded, and UTC stands for it. It is
// the zero time if the entry has none. Its unit is 2 seconds.
func (r *Raw) Modified() time.Time {
	return dosTime(binary.LittleEndian.Uint16(r[24:]), binary.LittleEndian.Uint16(r[22:]), 0)
}

// Created returns the time of creation, to hundredths of a second.
func (r *Raw) Created() time.Time {
	return dosTime(binary.LittleEndian.Uint16(r[16:]), binary.LittleEndian.Uint16(r[14:]), r[13])
}

// Accessed returns the day of the last access.
func (r *Raw) Accessed() time.Time { return dosTime(binary.LittleEndian.Uint16(r[18:]), 0, 0) }

// dosTime: FG, "Date and Time Formats". A date or time that no calendar has
// gives the zero time.
func dosTime(date, clock uint16, hundredths byte) time.Time {
	y, m, d := 1980+int(date>>9), time.Month(date>>5&15), int(date&31)
	h, min, s := int(clock>>11), int(clock>>5&63), int(clock&31)*2
	t := time.Date(y, m, d, h, min, s, 0, time.UTC)
	if t.Day() != d || t.Month() != m || h > 23 || min > 59 || s > 58 || hundredths > 199 {
		return time.Time{}
	}
	return t.Add(time.Duration(hundredths) * 10 * time.Millisecond)
}

// Checksum is the sum over the 11 bytes of a short name that each part of its
// long name carries. FG, "Organization and Association of Short & Long
// Directory Entries".
func Checksum(short []byte) byte {
	var sum byte
	for _, c := range short[:11] {
		sum = sum<<7 | sum>>1
		sum += c
	}
	return sum
}
