// Package atari reads the Atari root sector: four entries, a chain of further
// root sectors behind an entry of type XGM, or eight more entries in the place
// that the ICD driver uses. Big-endian, sectors of 512 bytes only.
//
// The root sector has no signature, so what is accepted is strict: see Read.
//
// Source: libblkid/src/partitions/atari.c of util-linux.
package atari

import (
	"encoding/binary"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

const (
	sectorBytes = 512
	entryBytes  = 12
	primaries   = 4
	icdEntries  = 8
	maxChain    = 64 // root sectors in an XGM chain; more is no chain that anybody made

	icdAt     = 0x156
	sizeAt    = 0x1C2
	entriesAt = 0x1C6
	badListAt = 0x1F6

	flagUsed = 1
	flagBoot = 0x80
	// bootSum is the sum of the big-endian words of a root sector that the
	// machine starts from. From memory.
	bootSum = 0x1234
)

var typeNames = map[string]string{
	"GEM": "FAT, up to 16 MB",
	"BGM": "FAT, above 16 MB",
	"LNX": "Linux",
	"SWP": "swap",
	"RAW": "no file system",
	"XGM": "container",
}

// Table is a root sector and what hangs on it. Entries 1 to 4 are those of the root
// sector; logical and ICD entries follow from 5. Its State is InForce, or Damaged if
// the chain is broken.
type Table struct {
	Bootable bool   // the words of the root sector add up to 1234h
	DiskSize uint32 // sectors of the disk, as the root sector says
	ICD      bool   // the eight further entries are in use
	layout.Parsed
}

// slot is one entry as it is written; start is relative in an XGM chain.
type slot struct {
	flag        byte
	id          string
	start, size uint32
	at          int
}

func slots(b []byte, at, n int) []slot {
	out := make([]slot, n)
	for i := range out {
		e := b[at+i*entryBytes:]
		out[i] = slot{e[0], string(e[1:4]), binary.BigEndian.Uint32(e[4:]), binary.BigEndian.Uint32(e[8:]), at + i*entryBytes}
	}
	return out
}

func (s slot) used() bool { return s.flag&flagUsed != 0 }

func (s slot) known() bool { _, ok := typeNames[s.id]; return ok }

// Read reads the root sector of src. It is accepted only if it does not end in
// 55 AA, at least one of its four entries is in use, and every one in use has
// a known type, lies on the disk after sector 0, and shares no sector with
// another. Otherwise it returns a FormatError of fault Absent.
func Read(src image.Source) (*Table, error) {
	if src.SectorSize() != sectorBytes {
		return nil, disk.Absentf("Atari root sector", 0, -1, "it is not defined for sectors of %d bytes", src.SectorSize())
	}
	if src.Size() < sectorBytes {
		return nil, disk.Absentf("Atari root sector", 0, -1, "the disk has no sector 0")
	}
	b := make([]byte, sectorBytes)
	if err := image.ReadFull(src, b, 0); err != nil {
		return nil, err
	}
	first := slots(b, entriesAt, primaries)
	if err := plausible(b, first, image.Sectors(src)); err != nil {
		return nil, err
	}
	t := &Table{DiskSize: binary.BigEndian.Uint32(b[sizeAt:]), Bootable: wordSum(b) == bootSum}
	t.Table = layout.Table{
		Kind: "atari", State: layout.InForce, SectorSize: sectorBytes, Ends: disk.Sector(t.DiskSize),
		Own: disk.NewSpans(disk.Span{Count: 1}),
	}
	if err := t.fill(src, b, first); err != nil {
		return nil, err
	}
	t.badList(src, b)
	t.Check(image.Sectors(src), func(layout.Entry) bool { return true })
	return t, nil
}

func plausible(b []byte, first []slot, drive disk.Sector) error {
	if b[510] == 0x55 && b[511] == 0xAA {
		return disk.Absentf("Atari root sector", 0, 510, "sector 0 ends in 55 AA, as no root sector does")
	}
	var before disk.Spans
	for _, s := range first {
		if !s.used() {
			continue
		}
		span := disk.Span{Start: disk.Sector(s.start), Count: disk.Sector(s.size)}
		switch {
		case !s.known():
			return disk.Absentf("Atari root sector", 0, s.at, "an entry of the unknown type %q", s.id)
		case s.start == 0 || s.size == 0 || span.End() > drive:
			return disk.Absentf("Atari root sector", 0, s.at, "an entry %s that does not lie on the disk", span)
		case len(before.Within(span)) > 0:
			return disk.Absentf("Atari root sector", 0, s.at, "an entry %s that shares sectors with another", span)
		}
		before = before.Add(span)
	}
	if len(before) == 0 {
		return disk.Absentf("Atari root sector", 0, entriesAt, "no entry in use")
	}
	return nil
}

func (t *Table) fill(src image.Source, b []byte, first []slot) error {
	xgm := false
	for i, s := range first {
		if !s.used() {
			continue
		}
		t.add(s, i+1, 0, 0)
		t.Evidence = append(t.Evidence, fmt.Sprintf("entry %d of type %s on the disk", i+1, s.id))
	}
	for _, s := range first {
		if s.used() && s.id == "XGM" {
			xgm = true
			if err := t.chain(src, disk.Sector(s.start)); err != nil {
				return err
			}
		}
	}
	more := slots(b, icdAt, icdEntries)
	if xgm || !more[0].known() || more[0].id == "XGM" {
		return nil
	}
	for i, s := range more {
		if s.used() && s.known() && s.id != "XGM" {
			t.ICD = true
			t.add(s, primaries+1+i, 0, 0)
		}
	}
	return nil
}

// add lists a slot that lies in the root sector at the given sector, to which
// its start is relative.
func (t *Table) add(s slot, index int, root, base disk.Sector) {
	t.Entries = append(t.Entries, layout.Entry{
		Span:  disk.Span{Start: base + disk.Sector(s.start), Count: disk.Sector(s.size)},
		Index: index, Type: s.id, TypeName: typeNames[s.id],
		Active: s.flag&flagBoot != 0, Extended: s.id == "XGM",
		Table: root, Offset: s.at,
	})
}

// badList adds the list of bad sectors to what the table owns.
func (t *Table) badList(src image.Source, b []byte) {
	list := disk.Span{
		Start: disk.Sector(binary.BigEndian.Uint32(b[badListAt:])),
		Count: disk.Sector(binary.BigEndian.Uint32(b[badListAt+4:])),
	}
	if list.Empty() {
		return
	}
	if list.Start == 0 || list.End() > image.Sectors(src) {
		t.Findings = append(t.Findings, disk.Warningf(disk.BadListImplausible, 0,
			"the list of bad sectors named in sector 0 (byte %d) would be in sectors %s, which is not on the disk; it "+
				"is passed over", badListAt, list))
		return
	}
	t.Own = t.Own.Add(list)
}

func wordSum(b []byte) uint16 {
	var s uint16
	for ; len(b) >= 2; b = b[2:] {
		s += binary.BigEndian.Uint16(b)
	}
	return s
}
