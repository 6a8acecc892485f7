package format

import (
	"encoding/binary"

	"bootgraft/layout/volume/fat"
)

// bootSector renders the first sector. FG, "Boot Sector and BPB Structure".
func (g *Design) bootSector() []byte {
	s := make([]byte, g.BytesPerSector)
	le := binary.LittleEndian
	copy(s[3:11], padded(g.OEM, 8))
	le.PutUint16(s[11:], uint16(g.BytesPerSector))
	s[13] = byte(g.SectorsPerCluster)
	le.PutUint16(s[14:], uint16(g.Reserved))
	s[16] = byte(g.FATs)
	le.PutUint16(s[17:], uint16(g.RootEntries))
	s[21] = g.Media
	le.PutUint16(s[24:], g.SectorsPerTrack)
	le.PutUint16(s[26:], g.Heads)
	le.PutUint32(s[28:], g.Hidden)
	if g.Sectors < 1<<16 && g.Kind != fat.FAT32 {
		le.PutUint16(s[19:], uint16(g.Sectors))
	} else {
		le.PutUint32(s[32:], uint32(g.Sectors))
	}
	ext, jump := 36, byte(0x3C)
	if g.Kind == fat.FAT32 {
		ext, jump = 64, 0x58
		le.PutUint32(s[36:], uint32(g.Parts.Table))
		le.PutUint32(s[44:], g.RootCluster)
		le.PutUint16(s[48:], fsInfoSector)
		le.PutUint16(s[50:], backupSector)
	} else {
		le.PutUint16(s[22:], uint16(g.Parts.Table))
	}
	s[ext], s[ext+2] = g.Drive, 0x29
	le.PutUint32(s[ext+3:], g.ID)
	copy(s[ext+7:], padded(or(g.Label, "NO NAME"), 11))
	copy(s[ext+18:], padded(g.Kind.Format(), 8))
	copy(s, []byte{0xEB, jump, 0x90})
	copy(s[ext+26:], []byte{0xCD, 0x18, 0xF4, 0xEB, 0xFD}) // int 18h: no system here; then halt
	fat.Sign(s)
	return s
}

// Where FAT32 keeps FSInfo, and the copies of its first three sectors. FG
// recommends no other place.
const (
	fsInfoSector = 1
	backupSector = 6
)

func padded(s string, n int) []byte {
	b := make([]byte, n)
	for i := copy(b, s); i < n; i++ {
		b[i] = ' '
	}
	return b
}
