// Package apple reads the Apple partition map: a driver descriptor in block 0
// and one map entry in each block from block 1. Everything is big-endian.
//
// Source: Apple, Inside Macintosh: Devices, chapter 3, "The Driver Descriptor
// Record" and "The Partition Map".
package apple

import (
	"bytes"
	"encoding/binary"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Types of entries that stand for no volume.
const (
	mapType  = "Apple_partition_map" // the map itself
	freeType = "Apple_Free"          // free space
)

const (
	driverSignature = "ER"   // sbSig 4552h
	entrySignature  = "PM"   // pmSig 504Dh
	oldSignature    = "TS"   // pmSig 5453h, earlier and still valid
	maxEntries      = 256    // more is no map that anybody made
	maxBlock        = 0x8000 // largest power of two that sbBlkSize can hold
	entryBytes      = 136    // up to and with pmProcessor
)

// Table is a partition map as it lies on a disk. Entries are numbered from 1. Its
// State is InForce, or Damaged if a finding says that an entry is lost.
type Table struct {
	BlockSize int    // bytes of a block of the map
	Blocks    uint32 // sbBlkCount: blocks of the disk
	Declared  uint32 // pmMapBlkCnt of the first entry
	layout.Parsed
}

// Read reads the partition map of src. Without a driver descriptor and a
// first map entry it returns a FormatError of fault Absent.
func Read(src image.Source) (*Table, error) {
	head := make([]byte, 512)
	if src.Size() < int64(len(head)) {
		return nil, disk.Absentf("Apple partition map", 0, -1, "the disk has no block 0")
	}
	if err := image.ReadFull(src, head, 0); err != nil {
		return nil, err
	}
	if string(head[:2]) != driverSignature {
		return nil, disk.Absentf("Apple partition map", 0, 0, "block 0 does not begin with %q", driverSignature)
	}
	t := &Table{Blocks: binary.BigEndian.Uint32(head[4:])}
	first, err := t.findMap(src, int(binary.BigEndian.Uint16(head[2:])))
	if err != nil {
		return nil, err
	}
	t.Declared = binary.BigEndian.Uint32(first[4:])
	if t.Declared == 0 {
		return nil, disk.Malformedf("Apple partition map", sectorOf(src, int64(t.BlockSize)), 4,
			"the first entry says that the map has no entry")
	}
	t.Table = layout.Table{Kind: "apple", State: layout.InForce, SectorSize: t.BlockSize}
	if err := t.readEntries(src); err != nil {
		return nil, err
	}
	t.describe(src)
	return t, nil
}

// findMap settles the block size. Where the map is not at the size that the
// driver descriptor names, discs for two systems have it at 512 bytes.
func (t *Table) findMap(src image.Source, declared int) (first []byte, err error) {
	sizes := []int{512}
	if plausible(declared) && declared != 512 {
		sizes = []int{declared, 512}
	}
	for _, size := range sizes {
		b, err := readEntry(src, 1, size)
		if err != nil {
			return nil, err
		}
		if b == nil || !signed(b) {
			continue
		}
		t.BlockSize = size
		if size != declared {
			t.Findings = append(t.Findings, disk.Notef(disk.TableBlockSize, 0,
				"the driver descriptor in sector 0 (byte 2) says blocks of %d bytes, "+
					"but the map is written in blocks of %d bytes; the map is read as it is written",
				declared, size))
		}
		return b, nil
	}
	return nil, disk.Absentf("Apple partition map", 0, 2, "a driver descriptor, but no map entry after it (block size %d)",
		declared)
}

func plausible(size int) bool {
	return size >= 512 && size <= maxBlock && size&(size-1) == 0
}

func signed(b []byte) bool {
	s := string(b[:2])
	return s == entrySignature || s == oldSignature
}

// readEntry returns the start of a block of the map, or nil if the source
// ends before it.
func readEntry(src image.Source, block int64, size int) ([]byte, error) {
	if src.Size() < block*int64(size)+entryBytes {
		return nil, nil
	}
	b := make([]byte, entryBytes)
	return b, image.ReadFull(src, b, block*int64(size))
}

func (t *Table) readEntries(src image.Source) error {
	want := int64(t.Declared)
	if want > maxEntries {
		t.Damagedf(disk.TableTooLong, sectorOf(src, int64(t.BlockSize)),
			"the map says that it has %d entries; only the first %d are read, more is not plausible", want, maxEntries)
		want = maxEntries
	}
	for i := int64(1); i <= want; i++ {
		at := i * int64(t.BlockSize)
		b, err := readEntry(src, i, t.BlockSize)
		if err != nil {
			return err
		}
		if b == nil || !signed(b) {
			t.Damagedf(disk.TableEntryMissing, sectorOf(src, at),
				"entry %d of the %d that the map says it has is not in sector %d (byte %d of the disk); "+
					"the entries after it are lost",
				i, t.Declared, sectorOf(src, at), at)
			return nil
		}
		if n := binary.BigEndian.Uint32(b[4:]); n != t.Declared {
			t.Findings = append(t.Findings, disk.Warningf(disk.TableCountsDiffer, sectorOf(src, at),
				"entry %d says that the map has %d entries, the first says %d; the first is believed", i, n, t.Declared))
		}
		t.Entries = append(t.Entries, t.entry(src, b, int(i)))
	}
	return nil
}

func (t *Table) entry(src image.Source, b []byte, index int) layout.Entry {
	at := int64(index) * int64(t.BlockSize)
	span, exact := disk.Units(uint64(binary.BigEndian.Uint32(b[8:])), uint64(binary.BigEndian.Uint32(b[12:])), t.BlockSize,
		src.SectorSize())
	if !exact {
		t.Findings = append(t.Findings, disk.Warningf(disk.EntryInsideSector, sectorOf(src, at),
			"entry %d begins or ends inside a sector of %d bytes, because the map counts in blocks of %d "+
				"bytes; it is listed as sectors %s. Look at the disk with a sector size of %d",
			index, src.SectorSize(), t.BlockSize, span, t.BlockSize))
	}
	kind := text(b[48:80])
	return layout.Entry{
		Span: span, Index: index, Type: kind, TypeName: typeNames[kind], Name: text(b[16:48]),
		NoVolume: span.Empty() || kind == mapType || free(kind),
		Table:    sectorOf(src, at), Offset: int(at % int64(src.SectorSize())),
	}
}

var typeNames = map[string]string{
	mapType:           "the map itself",
	freeType:          "free space",
	"Apple_Void":      "unused entry",
	"Apple_HFS":       "HFS or HFS Plus volume",
	"Apple_HFSX":      "HFSX volume",
	"Apple_Driver":    "driver",
	"Apple_Driver43":  "driver",
	"Apple_UNIX_SVR2": "Unix volume",
	"Apple_MFS":       "MFS volume",
	"Apple_PRODOS":    "ProDOS volume",
	"Apple_Scratch":   "empty",
}

// describe fills in what the map says of the whole disk and checks the
// entries against each other.
func (t *Table) describe(src image.Source) {
	size := src.SectorSize()
	own, _ := disk.Units(0, uint64(len(t.Entries))+1, t.BlockSize, size)
	t.Own = disk.NewSpans(own)
	whole, _ := disk.Units(0, uint64(t.Blocks), t.BlockSize, size)
	t.Ends = whole.End()
	t.Evidence = []string{"driver descriptor in block 0", "map entry in block 1"}
	t.Check(image.Sectors(src), func(e layout.Entry) bool { return !free(e.Type) })
}

// free tells whether a type is that of sectors that nobody has.
func free(kind string) bool { return kind == freeType || kind == "Apple_Void" }

func sectorOf(src image.Source, at int64) disk.Sector {
	return disk.Sector(at / int64(src.SectorSize()))
}

// text returns a string that ends at its first zero byte.
func text(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	return string(bytes.ToValidUTF8(b, []byte("?")))
}
