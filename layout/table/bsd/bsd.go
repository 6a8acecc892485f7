// Package bsd reads the BSD disklabel as little-endian machines write it: in
// sector 1 of the disk, or inside sector 0.
//
// Source: 4.4BSD disklabel(5) and <sys/disklabel.h>, as the header
// include/pt-bsd.h of util-linux gives it; the places are those of the table
// in its libblkid/src/partitions/bsd.c.
package bsd

import (
	"encoding/binary"
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Names of the entries that own no sectors of their own.
const (
	wholeDisk = "whole disk" // entry c, or any that covers all of the disk without a type
	unused    = "unused"
)

const (
	magic        = 0x82564557
	headerBytes  = 148 // up to the first entry
	entryBytes   = 16
	maxEntries   = 22 // what a label of 512 bytes can hold: (512-148)/16
	secSizeAt    = 40
	perUnitAt    = 60
	secondMagic  = 132
	checksumAt   = 136
	partitionsAt = 138
)

// Table is a disklabel as it lies on a disk. Index 1 is entry a. Offsets are absolute,
// as on every label that describes a whole disk. Its State is InForce, or Damaged if
// the checksum is wrong.
type Table struct {
	At         int64  // byte of the disk at which the label begins
	SectorSize int    // d_secsize: bytes of a sector that the label counts in
	PerUnit    uint32 // d_secperunit: sectors of the disk
	Declared   int    // d_npartitions
	layout.Parsed
}

// Read looks for a disklabel at byte 512 of src, in sector 1 where that is
// elsewhere, and at bytes 64 and 128. If there is none it returns a
// FormatError of fault Absent.
func Read(src image.Source) (*Table, error) {
	places := []int64{512, 64, 128}
	if src.SectorSize() != 512 {
		places = append(places, int64(src.SectorSize()))
	}
	var first error
	for _, at := range places {
		t, err := readAt(src, at)
		var format *disk.FormatError
		switch {
		case err == nil:
			return t, nil
		case !errors.As(err, &format):
			return nil, err
		case format.Fault != disk.Absent && first == nil:
			first = err
		}
	}
	if first != nil {
		return nil, first
	}
	return nil, disk.Absentf("BSD disklabel", 1, -1, "no magic number at bytes 64, 128 and 512")
}

func readAt(src image.Source, at int64) (*Table, error) {
	n := int64(headerBytes + maxEntries*entryBytes)
	if src.Size() < at+n {
		return nil, disk.Absentf("BSD disklabel", 0, -1, "the disk is too short for one")
	}
	b := make([]byte, n)
	if err := image.ReadFull(src, b, at); err != nil {
		return nil, fmt.Errorf("reading byte %d in sector %d: %w", at, at/int64(src.SectorSize()), err)
	}
	sector, offset := disk.Sector(at/int64(src.SectorSize())), int(at%int64(src.SectorSize()))
	le := binary.LittleEndian
	if binary.BigEndian.Uint32(b) == magic && binary.BigEndian.Uint32(b[secondMagic:]) == magic {
		return nil, disk.Unsupportedf("BSD disklabel", sector, offset, "it is written big-endian")
	}
	if le.Uint32(b) != magic {
		return nil, disk.Absentf("BSD disklabel", sector, offset, "no magic number")
	}
	if le.Uint32(b[secondMagic:]) != magic {
		return nil, disk.Malformedf("BSD disklabel", sector, offset+secondMagic, "the second magic number is missing")
	}
	t := &Table{
		At: at, SectorSize: int(min(le.Uint32(b[secSizeAt:]), 1<<30)),
		PerUnit: le.Uint32(b[perUnitAt:]), Declared: int(le.Uint16(b[partitionsAt:])),
	}
	if t.SectorSize < 512 || t.SectorSize > 1<<16 || t.SectorSize&(t.SectorSize-1) != 0 {
		return nil, disk.Malformedf("BSD disklabel", sector, offset+secSizeAt, "a sector of %d bytes is not possible",
			t.SectorSize)
	}
	t.fill(src, b, sector, offset)
	return t, nil
}

func (t *Table) fill(src image.Source, b []byte, sector disk.Sector, offset int) {
	size := src.SectorSize()
	whole, _ := disk.Units(0, uint64(t.PerUnit), t.SectorSize, size)
	own, _ := disk.Units(uint64(t.At), uint64(headerBytes+min(t.Declared, maxEntries)*entryBytes), 1, size)
	t.Table = layout.Table{
		Kind: "bsd", State: layout.InForce, SectorSize: t.SectorSize, Own: disk.NewSpans(own), Ends: whole.End(),
		Evidence: []string{fmt.Sprintf("both magic numbers of a label at byte %d", t.At)},
	}
	n := t.Declared
	if n > maxEntries {
		n = maxEntries
		t.Damagedf(disk.TableTooLong, sector,
			"the label in sector %d (byte %d) says that it has %d entries, but %d is all that fits; "+
				"the first %d are read and the checksum cannot be checked",
			sector, offset+partitionsAt, t.Declared, maxEntries, n)
	} else if sum := xor16(b[:headerBytes+n*entryBytes]); sum != 0 {
		t.Damagedf(disk.TableChecksum, sector,
			"the words of the label in sector %d (byte %d) do not cancel out: %04X is left over and should be 0. "+
				"Its entries may be wrong: compare them with what lies in the places they name",
			sector, offset+checksumAt, sum)
	}
	for i := range n {
		t.Entries = append(t.Entries, t.entry(src, b[headerBytes+i*entryBytes:], i, sector, offset))
	}
	t.Check(image.Sectors(src), layout.Entry.HoldsVolume)
}

func (t *Table) entry(src image.Source, b []byte, i int, sector disk.Sector, offset int) layout.Entry {
	le := binary.LittleEndian
	count, start, kind := le.Uint32(b), le.Uint32(b[4:]), b[12]
	span, exact := disk.Units(uint64(start), uint64(count), t.SectorSize, src.SectorSize())
	if !exact {
		t.Findings = append(t.Findings, disk.Warningf(disk.EntryInsideSector, sector,
			"entry %c begins or ends inside a sector of %d bytes, because the label counts in sectors of %d "+
				"bytes; it is listed as sectors %s. Look at the disk with a sector size of %d",
			'a'+i, src.SectorSize(), t.SectorSize, span, t.SectorSize))
	}
	e := layout.Entry{
		Span: span, Index: i + 1, Type: fmt.Sprintf("%02X", kind), TypeName: typeNames[kind],
		Table: sector, Offset: offset + headerBytes + i*entryBytes,
	}
	covers := start == 0 && count >= t.PerUnit && count > 0
	if kind == 0 && (i == 2 || covers) && count > 0 {
		e.TypeName = wholeDisk
	}
	e.NoVolume = e.Empty() || e.TypeName == wholeDisk || e.TypeName == unused
	return e
}

// typeNames is p_fstype; 8 is read as i386 machines use it.
var typeNames = map[byte]string{
	0: unused, 1: "swap", 2: "Sixth Edition", 3: "Seventh Edition", 4: "System V", 5: "V7, 1 KiB blocks",
	6: "Eighth Edition", 7: "4.2BSD fast file system", 8: "MS-DOS", 9: "4.4BSD log-structured", 10: "other",
	11: "HPFS", 12: "ISO 9660", 13: "bootstrap", 14: "AmigaDOS", 15: "HFS", 16: "AdvFS",
}

func xor16(b []byte) uint16 {
	var x uint16
	for ; len(b) >= 2; b = b[2:] {
		x ^= binary.LittleEndian.Uint16(b)
	}
	return x
}
