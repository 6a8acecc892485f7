package fat

import (
	"encoding/binary"
	"math"
)

// The setters below change their field in a boot sector of at least 512 bytes
// and nothing else. Sizes are in the volume's own sectors. FG, "Boot Sector
// and BPB Structure".

// SetTotalSectors writes the size of the volume, 1 to 2^32-1. It goes into the
// field that held it; one that was large and becomes small goes into the field
// of 16 bits, as FG asks of FAT12 and FAT16, and one that grows too large for
// that field leaves it.
func SetTotalSectors(s []byte, n uint32) {
	le := binary.LittleEndian
	short, long := le.Uint16(s[19:]), le.Uint32(s[32:])
	wide := le.Uint16(s[22:]) == 0
	switch {
	case n > math.MaxUint16:
		short, long = 0, n
	case short != 0:
		if short = uint16(n); long != 0 {
			long = n
		}
	case !wide && long > math.MaxUint16:
		short, long = uint16(n), 0
	default:
		long = n
	}
	le.PutUint16(s[19:], short)
	le.PutUint32(s[32:], long)
}

// SetReserved writes how many sectors lie before the first table.
func SetReserved(s []byte, n uint16) { binary.LittleEndian.PutUint16(s[14:], n) }

// SetSectorsPerFAT writes the size of one table: of FAT12 and FAT16 it must
// have 16 bits.
func SetSectorsPerFAT(s []byte, n uint32) {
	if binary.LittleEndian.Uint16(s[22:]) != 0 {
		binary.LittleEndian.PutUint16(s[22:], uint16(n))
		return
	}
	binary.LittleEndian.PutUint32(s[36:], n)
}

// SetRootCluster writes where the root directory of FAT32 begins.
func SetRootCluster(s []byte, c uint32) { binary.LittleEndian.PutUint32(s[44:], c) }

// SetHidden writes how many sectors lie before the volume.
func SetHidden(s []byte, n uint32) { binary.LittleEndian.PutUint32(s[28:], n) }

// SetGeometry writes the geometry that boot code counts CHS addresses in.
func SetGeometry(s []byte, heads, sectorsPerTrack uint16) {
	binary.LittleEndian.PutUint16(s[24:], sectorsPerTrack)
	binary.LittleEndian.PutUint16(s[26:], heads)
}

// signed tells whether a sector ends its first 512 bytes with 55 AA.
func signed(s []byte) bool { return s[510] == 0x55 && s[511] == 0xAA }

// Sign puts these bytes there.
func Sign(s []byte) { s[510], s[511] = 0x55, 0xAA }

// NewFSInfo makes an FSInfo sector of that many bytes.
func NewFSInfo(size int, free, next uint32) []byte {
	s := make([]byte, size)
	le := binary.LittleEndian
	le.PutUint32(s, fsInfoLead)
	le.PutUint32(s[484:], fsInfoMid)
	le.PutUint32(s[508:], fsInfoTrail)
	SetFSInfoHints(s, free, next)
	return s
}

// IsFSInfo tells whether a sector of at least 512 bytes has the three
// signatures of FSInfo.
func IsFSInfo(s []byte) bool {
	le := binary.LittleEndian
	return le.Uint32(s) == fsInfoLead && le.Uint32(s[484:]) == fsInfoMid && le.Uint32(s[508:]) == fsInfoTrail
}

// FSInfoHints returns the number of free clusters and where to look for one;
// either may be Unset.
func FSInfoHints(s []byte) (free, next uint32) {
	return binary.LittleEndian.Uint32(s[488:]), binary.LittleEndian.Uint32(s[492:])
}

// SetFSInfoHints writes them.
func SetFSInfoHints(s []byte, free, next uint32) {
	binary.LittleEndian.PutUint32(s[488:], free)
	binary.LittleEndian.PutUint32(s[492:], next)
}
