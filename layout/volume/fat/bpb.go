package fat

import (
	"encoding/binary"
	"math/bits"
	"strings"

	"bootgraft/image/disk"
)

// BPB is the boot sector's description of its volume, field by field, as it
// stands there. FG, "Boot Sector and BPB Structure".
type BPB struct {
	Jump              [3]byte
	OEM               [8]byte
	BytesPerSector    int
	SectorsPerCluster int
	Reserved          int // sectors before the first table
	FATs              int
	RootEntries       int // of the fixed root directory; 0 on FAT32
	TotalSectors16    uint16
	Media             byte
	SectorsPerFAT16   uint16
	SectorsPerTrack   uint16
	Heads             uint16
	Hidden            uint32 // sectors before the volume
	TotalSectors32    uint32

	// FAT32 only.
	SectorsPerFAT32 uint32
	ExtFlags        uint16 // bit 7: only one table is active, bits 0-3 say which
	Version         uint16
	RootCluster     uint32
	FSInfoSector    uint16
	BackupSector    uint16

	Drive     byte
	State     byte // bit 0: not unmounted cleanly, bit 1: the surface should be tested
	Signature byte // 29h: the three fields below are there; 28h: VolumeID alone
	VolumeID  uint32
	Label     [11]byte
	Type      [8]byte

	Marked bool // 55 AA at byte 510; no proof of anything, in either direction
}

// TotalSectors returns the size of the volume in its own sectors.
func (b *BPB) TotalSectors() int64 {
	if b.TotalSectors16 != 0 {
		return int64(b.TotalSectors16)
	}
	return int64(b.TotalSectors32)
}

// SectorsPerFAT returns the size of one table in the volume's own sectors.
func (b *BPB) SectorsPerFAT() int64 {
	if b.SectorsPerFAT16 != 0 {
		return int64(b.SectorsPerFAT16)
	}
	return int64(b.SectorsPerFAT32)
}

// rootSectors returns the size of the fixed root directory in the volume's
// own sectors.
func (b *BPB) rootSectors() int64 {
	n := int64(b.BytesPerSector)
	return (int64(b.RootEntries)*EntrySize + n - 1) / n
}

// firstData returns the first sector of cluster 2, in the volume's own sectors.
func (b *BPB) firstData() int64 {
	return int64(b.Reserved) + int64(b.FATs)*b.SectorsPerFAT() + b.rootSectors()
}

// wide tells whether the boot sector has the FAT32 form. Drivers decide it by
// this field, not by the number of clusters.
func (b *BPB) wide() bool { return b.SectorsPerFAT16 == 0 }

// DecodeBPB takes the fields out of a boot sector of at least 512 bytes. It
// judges nothing.
func DecodeBPB(s []byte) BPB {
	le := binary.LittleEndian
	b := BPB{
		BytesPerSector:    int(le.Uint16(s[11:])),
		SectorsPerCluster: int(s[13]),
		Reserved:          int(le.Uint16(s[14:])),
		FATs:              int(s[16]),
		RootEntries:       int(le.Uint16(s[17:])),
		TotalSectors16:    le.Uint16(s[19:]),
		Media:             s[21],
		SectorsPerFAT16:   le.Uint16(s[22:]),
		SectorsPerTrack:   le.Uint16(s[24:]),
		Heads:             le.Uint16(s[26:]),
		Hidden:            le.Uint32(s[28:]),
		TotalSectors32:    le.Uint32(s[32:]),
		Marked:            signed(s),
	}
	copy(b.Jump[:], s)
	copy(b.OEM[:], s[3:])
	ext := s[36:]
	if b.wide() {
		b.SectorsPerFAT32 = le.Uint32(s[36:])
		b.ExtFlags = le.Uint16(s[40:])
		b.Version = le.Uint16(s[42:])
		b.RootCluster = le.Uint32(s[44:])
		b.FSInfoSector = le.Uint16(s[48:])
		b.BackupSector = le.Uint16(s[50:])
		ext = s[64:]
	}
	b.Drive, b.State, b.Signature = ext[0], ext[1], ext[2]
	if b.Signature == 0x28 || b.Signature == 0x29 {
		b.VolumeID = le.Uint32(ext[3:])
	}
	if b.Signature == 0x29 {
		copy(b.Label[:], ext[7:])
	}
	copy(b.Type[:], ext[18:])
	return b
}

// named tells whether a boot sector calls itself FAT in one of the two places
// for it. The string alone does not make it one.
func named(s []byte) bool {
	for _, at := range []int{54, 82} {
		switch t := string(s[at : at+8]); {
		case strings.HasPrefix(t, "FAT12"), strings.HasPrefix(t, "FAT16"), strings.HasPrefix(t, "FAT32"),
			t == "FAT     ", strings.HasPrefix(t, "MSDOS"), strings.HasPrefix(t, "MSWIN"):
			return true
		}
	}
	return false
}

// accept parses a boot sector that was read from sector at. A sector that
// does not call itself FAT must pass the same test and have 55 AA besides, as
// in libblkid's probe of such volumes; whatever fails then is another thing.
func accept(s []byte, at disk.Sector) (BPB, error) {
	b := DecodeBPB(s)
	sure := named(s)
	if !sure && !b.Marked {
		return b, disk.Absentf("FAT", at, 510, "neither the name FAT nor 55 AA")
	}
	if oem := string(b.OEM[:]); !sure && (oem == "NTFS    " || oem == "EXFAT   ") {
		return b, disk.Absentf("FAT", at, 3, "it is %s", strings.TrimSpace(oem))
	}
	if t := string(s[54:62]); t == "JFS     " || t == "HPFS    " {
		return b, disk.Absentf("FAT", at, 54, "it is %s", strings.TrimSpace(t))
	}
	if off, why := b.fault(); why != "" {
		if sure {
			return b, disk.Malformedf("FAT", at, off, "%s", why)
		}
		return b, disk.Absentf("FAT", at, off, "%s", why)
	}
	if b.wide() && b.Version != 0 {
		return b, disk.Unsupportedf("FAT32", at, 42, "version %d.%d, only 0.0 is defined", b.Version>>8, b.Version&0xFF)
	}
	return b, nil
}

// fault returns the byte and the reason of the first field that no FAT volume
// can have, or an empty reason.
func (b *BPB) fault() (offset int, why string) {
	switch n := b.BytesPerSector; {
	case bits.OnesCount(uint(n)) != 1 || n < 512 || n > 4096:
		return 11, "bytes per sector are not 512, 1024, 2048 or 4096"
	case bits.OnesCount(uint(b.SectorsPerCluster)) != 1:
		return 13, "sectors per cluster are not a power of two"
	case b.Reserved == 0:
		return 14, "no reserved sector, so no room for the boot sector itself"
	case b.FATs == 0:
		return 16, "no allocation table"
	case b.Media != 0xF0 && b.Media < 0xF8:
		return 21, "the media byte is neither F0 nor F8 to FF"
	case b.SectorsPerFAT() == 0:
		return 22, "an allocation table of no sectors"
	case !b.wide() && b.RootEntries == 0:
		return 17, "a root directory of no entries"
	case b.TotalSectors() == 0:
		return 32, "a volume of no sectors"
	}
	data := b.TotalSectors() - b.firstData()
	clusters := data / int64(b.SectorsPerCluster)
	if data < 0 || clusters < 1 {
		return 32, "the volume ends before its first cluster"
	}
	if _, most := b.kind(clusters).Clusters(); clusters > most {
		return 32, "more clusters than its tables can number"
	}
	if b.wide() && (b.RootCluster < 2 || int64(b.RootCluster) > clusters+1) {
		return 44, "the root directory's cluster does not exist"
	}
	return 0, ""
}

func (b *BPB) kind(clusters int64) Kind {
	switch {
	case b.wide():
		return FAT32
	case clusters < MinFAT16:
		return FAT12
	}
	return FAT16
}
