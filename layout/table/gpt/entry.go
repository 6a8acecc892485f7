package gpt

import (
	"encoding/binary"
	"math"
	"unicode/utf16"

	"bootgraft/image/disk"
)

// Offsets of entry fields in bytes (EFI Specification 1.02, table 16-3).
const (
	uniqueAt     = 16
	firstLBAAt   = 32
	lastLBAAt    = 40
	attributesAt = 48
	nameAt       = 56
	nameUnits    = 36 // UTF-16 units
)

// attrLegacyActive is the attribute "legacy BIOS bootable" (bit 2).
const attrLegacyActive = 1 << 2

// Entry is one entry of the array, as written. First and Last are inclusive.
type Entry struct {
	Type, Unique GUID
	First, Last  uint64
	Attributes   uint64
	Name         string // up to the first zero unit; invalid UTF-16 shows as U+FFFD
}

func parseEntry(b []byte) Entry {
	e := Entry{
		Type:       GUID(b),
		Unique:     GUID(b[uniqueAt:]),
		First:      binary.LittleEndian.Uint64(b[firstLBAAt:]),
		Last:       binary.LittleEndian.Uint64(b[lastLBAAt:]),
		Attributes: binary.LittleEndian.Uint64(b[attributesAt:]),
	}
	var name []uint16
	for i := range nameUnits {
		u := binary.LittleEndian.Uint16(b[nameAt+2*i:])
		if u == 0 {
			break
		}
		name = append(name, u)
	}
	e.Name = string(utf16.Decode(name))
	return e
}

// Used tells whether the entry describes anything.
func (e Entry) Used() bool { return !e.Type.Zero() }

// span returns the sectors of the entry; ok is false if it ends before it
// begins, or beyond what any disk has.
func (e Entry) span() (s disk.Span, ok bool) {
	if e.Last < e.First || e.Last >= math.MaxInt64 {
		return disk.Span{}, false
	}
	return disk.Between(disk.Sector(e.First), disk.Sector(e.Last)+1), true
}
