package gpt

import (
	"encoding/binary"
	"hash/crc32"
	"slices"

	"bootgraft/image/disk"
)

const format = "GPT"

// signature is the first field of a header (EFI Specification 1.02, table 16-1).
const signature = "EFI PART"

// Offsets of header fields in bytes (EFI Specification 1.02, table 16-1).
const (
	headerSizeAt  = 12
	headerCRCAt   = 16
	myLBAAt       = 24
	alternateAt   = 32
	firstUsableAt = 40
	lastUsableAt  = 48
	diskGUIDAt    = 56
	entryLBAAt    = 72
	countAt       = 80
	entrySizeAt   = 84
	arrayCRCAt    = 88
	minHeaderSize = 92
)

// Bounds of the entry array.
const (
	maxArray     = 1 << 20 // bytes; an ordinary array has 16 KiB. By hand, no source
	minEntrySize = 128     // bytes; sizes are 128 x 2^n
	reserved     = 16384   // bytes kept for the array at least (EFI Specification 1.10, p. 11-9)
)

// Header is the header of one copy. It keeps every byte of its sector.
// Addresses are as written: nothing is checked before Copy says it is valid.
type Header struct{ raw []byte }

func (h *Header) u32(at int) uint32 { return binary.LittleEndian.Uint32(h.raw[at:]) }
func (h *Header) u64(at int) uint64 { return binary.LittleEndian.Uint64(h.raw[at:]) }

// Size returns HeaderSize, in bytes.
func (h *Header) Size() uint32 { return h.u32(headerSizeAt) }

// CRC returns the CRC of the header as written.
func (h *Header) CRC() uint32 { return h.u32(headerCRCAt) }

// MyLBA returns the sector in which the header says it lies.
func (h *Header) MyLBA() uint64 { return h.u64(myLBAAt) }

// Alternate returns the sector of the other header.
func (h *Header) Alternate() uint64 { return h.u64(alternateAt) }

// FirstUsable and LastUsable return the sectors, both inclusive, between
// which entries may lie.
func (h *Header) FirstUsable() uint64 { return h.u64(firstUsableAt) }

// LastUsable returns the last sector in which an entry may lie.
func (h *Header) LastUsable() uint64 { return h.u64(lastUsableAt) }

// DiskGUID returns the identifier of the disk.
func (h *Header) DiskGUID() GUID { return GUID(h.raw[diskGUIDAt:]) }

// EntryLBA returns the first sector of the entry array.
func (h *Header) EntryLBA() uint64 { return h.u64(entryLBAAt) }

// Count returns how many entries the array has, used or not.
func (h *Header) Count() uint32 { return h.u32(countAt) }

// EntrySize returns the size of an entry in bytes.
func (h *Header) EntrySize() uint32 { return h.u32(entrySizeAt) }

// ArrayCRC returns the CRC of the array as written.
func (h *Header) ArrayCRC() uint32 { return h.u32(arrayCRCAt) }

// Bytes returns a copy of the sector of the header.
func (h *Header) Bytes() []byte { return slices.Clone(h.raw) }

// checksum computes the CRC over Size bytes, with its own field
// taken as zero. Size must be within the sector.
func (h *Header) checksum() uint32 {
	b := slices.Clone(h.raw[:h.Size()])
	clear(b[headerCRCAt : headerCRCAt+4])
	return crc32.ChecksumIEEE(b)
}

// arrayBytes returns the size of the entry array in bytes, without overflow.
func (h *Header) arrayBytes() uint64 { return uint64(h.Count()) * uint64(h.EntrySize()) }

// check applies the rules that need no more than the header and the size of
// the disk in sectors (EFI Specification 1.10, p. 11-14; Linux, efi.c).
func (h *Header) check(at, drive disk.Sector) error {
	bad := func(offset int, why string, args ...any) error {
		return disk.Malformedf(format, at, offset, why, args...)
	}
	last, size := uint64(drive-1), h.Size()
	if size < minHeaderSize || int(size) > len(h.raw) {
		return bad(headerSizeAt, "header size %d: it is %d to %d", size, minHeaderSize, len(h.raw))
	}
	if sum := h.checksum(); sum != h.CRC() {
		return bad(headerCRCAt, "the CRC of the header is %08X, its bytes give %08X", h.CRC(), sum)
	}
	if h.MyLBA() != uint64(at) {
		return bad(myLBAAt, "it says that it lies in sector %d", h.MyLBA())
	}
	if h.LastUsable() > last {
		return bad(lastUsableAt, "usable sectors %d to %d, but the last sector of the disk is %d", h.FirstUsable(),
			h.LastUsable(), last)
	}
	if h.LastUsable() < h.FirstUsable() {
		return bad(lastUsableAt, "the last usable sector %d lies before the first, %d", h.LastUsable(), h.FirstUsable())
	}
	return h.checkArray(at, drive)
}

// checkArray bounds the entry array before anything is allocated for it.
func (h *Header) checkArray(at, drive disk.Sector) error {
	size := h.EntrySize()
	if size < minEntrySize || size&(size-1) != 0 {
		return disk.Unsupportedf(format, at, entrySizeAt, "entries of %d bytes: they have 128, 256, 512 and so on", size)
	}
	n := h.arrayBytes()
	if n == 0 || n > maxArray {
		return disk.Unsupportedf(format, at, countAt, "%d entries of %d bytes: the array may have 1 to %d bytes", h.Count(),
			size, maxArray)
	}
	sectors := uint64(arraySectors(n, len(h.raw)))
	if h.EntryLBA() < 1 || h.EntryLBA() > uint64(drive) || sectors > uint64(drive)-h.EntryLBA() {
		return disk.Malformedf(format, at, entryLBAAt,
			"the entry array, %d sectors from sector %d, is not inside the disk of %d sectors",
			sectors, h.EntryLBA(), drive)
	}
	if a := h.array(); a.Holds(at) {
		return disk.Malformedf(format, at, entryLBAAt, "the entry array, sectors %s, lies over its own header", a)
	}
	return nil
}

// array returns the sectors of the entry array of a header that was checked.
func (h *Header) array() disk.Span {
	return disk.Span{Start: disk.Sector(h.EntryLBA()), Count: arraySectors(h.arrayBytes(), len(h.raw))}
}

func arraySectors(n uint64, sectorSize int) disk.Sector {
	return disk.Sector((n + uint64(sectorSize) - 1) / uint64(sectorSize))
}
