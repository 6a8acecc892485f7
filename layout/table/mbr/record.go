package mbr

import (
	"encoding/binary"
	"fmt"

	"bootgraft/image/disk"
)

// Offsets of a boot record (EFI Specification 1.02, table 16-5) and of the
// fields of its partition records (table 16-6), in bytes.
const (
	diskIDAt      = 440
	tableAt       = 446
	recordSize    = 16
	signatureAt   = 510
	startCHSField = 1
	typeField     = 4
	endCHSField   = 5
	startField    = 8
	countField    = 12
)

// Records is how many partition records a boot record has.
const Records = 4

// Type codes that the package acts on.
const (
	TypeExtended      = 0x05
	TypeExtendedLBA   = 0x0F
	TypeExtendedLinux = 0x85
	TypeGPT           = 0xEE
)

// Record is one of the four partition records of a boot record. Start and
// Count are in sectors; what Start is relative to depends on the boot record.
type Record struct {
	Boot     byte // 0x80 active, 0x00 not
	StartCHS CHS
	Type     byte
	EndCHS   CHS
	Start    uint32
	Count    uint32
}

func parseRecord(b []byte) Record {
	return Record{
		Boot:     b[0],
		StartCHS: UnpackCHS([3]byte(b[startCHSField:])),
		Type:     b[typeField],
		EndCHS:   UnpackCHS([3]byte(b[endCHSField:])),
		Start:    binary.LittleEndian.Uint32(b[startField:]),
		Count:    binary.LittleEndian.Uint32(b[countField:]),
	}
}

// Used tells whether the record describes anything: a record of type 0 or of
// no sectors may be ignored (EFI Specification 1.02, p. 316).
func (r Record) Used() bool { return r.Type != 0 && r.Count != 0 }

// Extended tells whether the record is a container, or a link of its chain.
func (r Record) Extended() bool {
	return r.Type == TypeExtended || r.Type == TypeExtendedLBA || r.Type == TypeExtendedLinux
}

// Active tells whether the boot flag is 80h.
func (r Record) Active() bool { return r.Boot == 0x80 }

// span returns the sectors of the record on a disk, counted from base.
func (r Record) span(base disk.Sector) disk.Span {
	return disk.Span{Start: base + disk.Sector(r.Start), Count: disk.Sector(r.Count)}
}

func (r Record) tuples(base disk.Sector) []Tuple {
	s := r.span(base)
	return []Tuple{{r.StartCHS, s.Start}, {r.EndCHS, s.Last()}}
}

// Code writes a type code as people do: two upper-case hex digits.
func Code(t byte) string { return fmt.Sprintf("%02X", t) }

// typeName names a type code in plain words, or returns "" for one that
// util-linux, include/pt-mbr.h, does not know or that is rare.
func typeName(t byte) string { return typeNames[t] }

var typeNames = map[byte]string{
	0x01: "FAT12",
	0x04: "FAT16 below 32 MB",
	0x05: "extended",
	0x06: "FAT16",
	0x07: "HPFS/NTFS/exFAT",
	0x0B: "FAT32, CHS",
	0x0C: "FAT32, LBA",
	0x0E: "FAT16, LBA",
	0x0F: "extended, LBA",
	0x11: "hidden FAT12",
	0x14: "hidden FAT16 below 32 MB",
	0x16: "hidden FAT16",
	0x17: "hidden HPFS/NTFS/exFAT",
	0x1B: "hidden FAT32, CHS",
	0x1C: "hidden FAT32, LBA",
	0x1E: "hidden FAT16, LBA",
	0x82: "Linux swap",
	0x83: "Linux",
	0x85: "Linux extended",
	0x8E: "Linux LVM",
	0xA5: "FreeBSD",
	0xA6: "OpenBSD",
	0xA9: "NetBSD",
	0xAF: "HFS/HFS+",
	0xDA: "no file system",
	0xEE: "GPT protective",
	0xEF: "EFI system",
	0xFD: "Linux RAID",
}
