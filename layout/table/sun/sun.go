// Package sun reads the Sun disk label in sector 0: eight slices that begin on
// cylinders, with or without the VTOC that gives each a tag. Big-endian.
//
// Source: the header include/pt-sun.h of util-linux.
package sun

import (
	"encoding/binary"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// wholeDisk is the TypeName of a slice that stands for the whole disk.
const wholeDisk = "whole disk"

const (
	magic       = 0xDABE
	vtocSanity  = 0x600DDEEE
	vtocVersion = 1
	unit        = 512
	maxSlices   = 8
	wholeTag    = 5

	versionAt = 128
	slicesAt  = 140
	tagsAt    = 142
	sanityAt  = 188
	pcylAt    = 422
	ncylAt    = 432
	acylAt    = 434
	nheadAt   = 436
	nsectAt   = 438
	entriesAt = 444
	magicAt   = 508
	sumAt     = 510
)

// Table is a Sun disk label as it lies on a disk. Entries are numbered from 1. Its
// State is InForce, or Damaged if the checksum is wrong.
type Table struct {
	Heads, SectorsPerTrack int
	Cylinders              int  // data cylinders
	VTOC                   bool // the label has a valid VTOC, so the slices have tags
	layout.Parsed
}

// Read reads the label in sector 0 of src. The magic number is two bytes: if
// neither the checksum nor the VTOC bears it out, the label is Absent.
func Read(src image.Source) (*Table, error) {
	b := make([]byte, unit)
	if src.Size() < unit {
		return nil, disk.Absentf("Sun label", 0, -1, "the disk has no sector 0")
	}
	if err := image.ReadFull(src, b, 0); err != nil {
		return nil, err
	}
	be := binary.BigEndian
	if be.Uint16(b[magicAt:]) != magic {
		return nil, disk.Absentf("Sun label", 0, magicAt, "no magic number %04X", magic)
	}
	sum := xor16(b)
	sane := be.Uint32(b[sanityAt:]) == vtocSanity
	if sum != 0 && !sane {
		return nil, disk.Absentf("Sun label", 0, sumAt, "the magic number, but neither its checksum nor a VTOC")
	}
	t := &Table{
		Heads: int(be.Uint16(b[nheadAt:])), SectorsPerTrack: int(be.Uint16(b[nsectAt:])),
		Cylinders: int(be.Uint16(b[ncylAt:])),
		VTOC:      sane && be.Uint32(b[versionAt:]) == vtocVersion && be.Uint16(b[slicesAt:]) <= maxSlices,
	}
	if t.Heads == 0 || t.SectorsPerTrack == 0 {
		return nil, disk.Malformedf("Sun label", 0, nheadAt, "cylinders of %d heads and %d sectors hold nothing", t.Heads,
			t.SectorsPerTrack)
	}
	t.Table = layout.Table{Kind: "sun", State: layout.InForce, SectorSize: unit, Own: disk.NewSpans(disk.Span{Count: 1})}
	t.Evidence = []string{fmt.Sprintf("magic number %04X at byte %d of sector 0", magic, magicAt)}
	if sum != 0 {
		t.State = layout.Damaged
		t.Findings = append(t.Findings, disk.Warningf(disk.TableChecksum, 0,
			"the words of the label in sector 0 (byte %d) do not cancel out: "+
				"%04X is left over and should be 0. Its slices may be wrong: compare them with what lies in the "+
				"places they name",
			sumAt, sum))
	} else {
		t.Evidence = append(t.Evidence, "its checksum")
	}
	t.fill(src, b)
	return t, nil
}

func (t *Table) fill(src image.Source, b []byte) {
	be := binary.BigEndian
	perCylinder := uint64(t.Heads) * uint64(t.SectorsPerTrack)
	cylinders := max(uint64(be.Uint16(b[pcylAt:])), uint64(t.Cylinders)+uint64(be.Uint16(b[acylAt:])))
	whole, _ := disk.Units(0, cylinders*perCylinder, unit, src.SectorSize())
	t.Ends = whole.End()
	slices := maxSlices
	if t.VTOC {
		slices = int(be.Uint16(b[slicesAt:]))
	}
	for i := range slices {
		t.Entries = append(t.Entries, t.entry(src, b, i, perCylinder))
	}
	t.Check(image.Sectors(src), layout.Entry.HoldsVolume)
}

func (t *Table) entry(src image.Source, b []byte, i int, perCylinder uint64) layout.Entry {
	be := binary.BigEndian
	at := entriesAt + 8*i
	start, count := uint64(be.Uint32(b[at:]))*perCylinder, uint64(be.Uint32(b[at+4:]))
	span, exact := disk.Units(start, count, unit, src.SectorSize())
	if !exact {
		t.Findings = append(t.Findings, disk.Warningf(disk.EntryInsideSector, 0,
			"slice %d begins or ends inside a sector of %d bytes, because the label counts in sectors of %d "+
				"bytes; it is listed as sectors %s. Look at the disk with a sector size of %d",
			i+1, src.SectorSize(), unit, span, unit))
	}
	e := layout.Entry{Span: span, Index: i + 1, Offset: at}
	if t.VTOC {
		tag := be.Uint16(b[tagsAt+4*i:])
		e.Type, e.TypeName = fmt.Sprintf("%02X", tag), tagNames[tag]
	} else if i == 2 && start == 0 && count >= uint64(t.Cylinders)*perCylinder {
		e.TypeName = wholeDisk // without tags the third slice is, by custom
	}
	e.NoVolume = e.Empty() || e.TypeName == wholeDisk
	return e
}

var tagNames = map[uint16]string{
	0: "unassigned", 1: "boot", 2: "root", 3: "swap", 4: "usr", wholeTag: wholeDisk, 6: "stand", 7: "var", 8: "home",
	9: "alternate sectors", 0x0A: "cachefs", 0x0B: "reserved", 0x82: "Linux swap", 0x83: "Linux", 0x8E: "Linux LVM",
	0xFD: "Linux RAID",
}

func xor16(b []byte) uint16 {
	var x uint16
	for ; len(b) >= 2; b = b[2:] {
		x ^= binary.BigEndian.Uint16(b)
	}
	return x
}
