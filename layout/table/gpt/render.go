package gpt

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"maps"
	"math"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/table/mbr"
)

// NewIDs are identifiers for a copy that is to live beside its original: one
// for the disk and one for every used entry, by index. The EFI Specification
// 1.02, p. 313, asks for them after a binary copy.
type NewIDs struct {
	Disk    GUID
	Entries map[int]GUID
}

// Rendered is a table for a disk of a given size.
type Rendered struct {
	Protective      []byte  // sector 0; nil if the original has no record of type EE
	Primary, Backup []Block // header and array of each, in ascending order
}

// Block is a run of sectors and its bytes.
type Block struct {
	disk.Span
	Bytes []byte
}

// Sectors returns every rendered sector by its address.
func (r *Rendered) Sectors() map[disk.Sector][]byte {
	out := map[disk.Sector][]byte{}
	if r.Protective != nil {
		out[0] = r.Protective
	}
	for _, b := range slices.Concat(r.Primary, r.Backup) {
		size := len(b.Bytes) / int(b.Count)
		for i := range b.Count {
			out[b.Start+i] = b.Bytes[int(i)*size : int(i+1)*size]
		}
	}
	return out
}

// TooSmallError says that a table cannot be rendered for a disk because what
// it describes would not fit.
type TooSmallError struct {
	Target   disk.Sector // the size that was asked for
	Smallest disk.Sector // the smallest size that would do
	LastUsed disk.Sector // last sector of the last entry, or -1 if none is used
}

func (e *TooSmallError) Error() string {
	if e.LastUsed < 0 {
		return fmt.Sprintf("a disk of %d sectors is too small for the table: it needs at least %d", e.Target, e.Smallest)
	}
	return fmt.Sprintf(
		"a disk of %d sectors is too small: the last entry ends in sector %d, "+
			"and the second copy of the table follows it; at least %d sectors are needed",
		e.Target, e.LastUsed, e.Smallest)
}

// EntryError says why an entry cannot become what was asked for.
type EntryError struct {
	Index int
	Why   string
}

func (e *EntryError) Error() string { return fmt.Sprintf("entry %d: %s", e.Index, e.Why) }

func entryErrorf(index int, why string, args ...any) error {
	return &EntryError{index, fmt.Sprintf(why, args...)}
}

// Render makes the table for a disk of target sectors of the same size in
// bytes. changes gives entries, by index, new spans; ids may be nil, which
// keeps every identifier. A copy that is not valid is made from the other.
//
// The primary table stays where it is. The backup goes to the end of the target,
// as the EFI Specification 1.02, p. 312, asks. What was counted from the end
// of the original, its array and the last usable sector, keeps its distance;
// if that is wider than need be and the entries do not fit, the distance
// becomes the smallest possible one. FirstUsable stays. Every byte that these
// rules do not name is that of the original.
//
// With the size of the original, no ids and no changes, and both copies
// valid, the result is what was read, wherever the copies lie and whatever
// they say.
//
// Errors: *TooSmallError, *EntryError, and *disk.FormatError of fault
// Unsupported if the primary array does not lie before the usable sectors.
func (t *Table) Render(target disk.Sector, ids *NewIDs, changes map[int]disk.Span) (*Rendered, error) {
	if target == t.Sectors && ids == nil && len(changes) == 0 && t.Primary.Valid() && t.Backup.Valid() {
		return t.asRead(), nil
	}
	return t.render(target, ids, changes)
}

func (t *Table) asRead() *Rendered {
	r := &Rendered{Primary: t.Primary.blocks(), Backup: t.Backup.blocks()}
	if _, _, ok := protective(t.MBR); ok {
		r.Protective = t.MBR.Bytes()
	}
	return r
}

func (c *Copy) blocks() []Block {
	return ascending(
		Block{disk.Span{Start: c.At, Count: 1}, c.Header.Bytes()},
		Block{c.Header.array(), slices.Clone(c.array)})
}

func ascending(a, b Block) []Block {
	if b.Start < a.Start {
		a, b = b, a
	}
	return []Block{a, b}
}

func (t *Table) render(target disk.Sector, ids *NewIDs, changes map[int]disk.Span) (*Rendered, error) {
	array, err := t.newArray(ids, changes)
	if err != nil {
		return nil, err
	}
	p, err := t.place(target, array)
	if err != nil {
		return nil, err
	}
	if err := t.checkChanges(p, array, changes); err != nil {
		return nil, err
	}
	drive := t.DiskGUID()
	if ids != nil {
		drive = ids.Disk
	}
	first := t.newHeader(t.Primary, p, drive, array)
	first.put(1, target-1, p.primaryArray)
	second := t.newHeader(t.Backup, p, drive, array)
	second.put(target-1, 1, p.backupArray)
	arrays := [2]Block{t.arrayBlock(t.Primary, p.primaryArray, array), t.arrayBlock(t.Backup, p.backupArray, array)}
	protective, err := t.newProtective(target, changes)
	if err != nil {
		return nil, err
	}
	return &Rendered{
		Protective: protective,
		Primary:    ascending(Block{disk.Span{Start: 1, Count: 1}, first.raw}, arrays[0]),
		Backup:     ascending(Block{disk.Span{Start: target - 1, Count: 1}, second.raw}, arrays[1]),
	}, nil
}

// newArray returns the bytes of the array, without padding, with new
// identifiers and spans.
func (t *Table) newArray(ids *NewIDs, changes map[int]disk.Span) ([]byte, error) {
	h := t.InForce.Header
	array, size := slices.Clone(t.InForce.array[:h.arrayBytes()]), int(h.EntrySize())
	entries := t.Entries()
	for _, index := range slices.Sorted(maps.Keys(changes)) {
		s := changes[index]
		if index < 1 || index > len(entries) || !entries[index-1].Used() {
			return nil, entryErrorf(index, "the table has no such entry")
		}
		if s.Count < 1 || s.Start < 0 || s.Start > math.MaxInt64-s.Count {
			return nil, entryErrorf(index, "%s is no place for it: an entry has one sector at least", s)
		}
		b := array[(index-1)*size:]
		binary.LittleEndian.PutUint64(b[firstLBAAt:], uint64(s.Start))
		binary.LittleEndian.PutUint64(b[lastLBAAt:], uint64(s.Last()))
	}
	if ids == nil {
		return array, nil
	}
	if err := ids.check(entries); err != nil {
		return nil, err
	}
	for index, id := range ids.Entries {
		copy(array[(index-1)*size+uniqueAt:], id[:])
	}
	return array, nil
}

// check tells whether there is exactly one new identifier for the disk and
// each used entry, no two of them equal.
func (ids *NewIDs) check(entries []Entry) error {
	seen := map[GUID]bool{{}: true}
	if seen[ids.Disk] {
		return fmt.Errorf("the new identifier of the disk is all zeros")
	}
	seen[ids.Disk] = true
	for i, e := range entries {
		id, ok := ids.Entries[i+1]
		if ok != e.Used() {
			return entryErrorf(i+1, "used: %v, new identifier: %v; every used entry needs one, and no other", e.Used(), ok)
		}
		if ok && seen[id] {
			return entryErrorf(i+1, "its new identifier %s is all zeros or given twice", id)
		}
		seen[id] = true
	}
	for index := range ids.Entries {
		if index < 1 || index > len(entries) {
			return entryErrorf(index, "the table has no such entry")
		}
	}
	return nil
}

// newHeader returns the header for one copy: its own if that is valid, so
// that bytes nobody names stay, else the other's.
func (t *Table) newHeader(own *Copy, p *places, disk GUID, array []byte) *Header {
	from := own
	if !own.fits(t.InForce) {
		from = t.InForce
	}
	h := &Header{from.Header.Bytes()}
	binary.LittleEndian.PutUint64(h.raw[firstUsableAt:], t.InForce.Header.FirstUsable())
	binary.LittleEndian.PutUint64(h.raw[lastUsableAt:], uint64(p.lastUsable))
	copy(h.raw[diskGUIDAt:], disk[:])
	binary.LittleEndian.PutUint32(h.raw[arrayCRCAt:], crc32.ChecksumIEEE(array))
	return h
}

// fits tells whether the copy's own unnamed bytes can be kept.
func (c *Copy) fits(inForce *Copy) bool {
	return c.Valid() && c.Header.Count() == inForce.Header.Count() && c.Header.EntrySize() == inForce.Header.EntrySize()
}

// put writes the places of a header and then its CRC.
func (h *Header) put(my, alternate disk.Sector, array disk.Span) {
	binary.LittleEndian.PutUint64(h.raw[myLBAAt:], uint64(my))
	binary.LittleEndian.PutUint64(h.raw[alternateAt:], uint64(alternate))
	binary.LittleEndian.PutUint64(h.raw[entryLBAAt:], uint64(array.Start))
	binary.LittleEndian.PutUint32(h.raw[headerCRCAt:], h.checksum())
}

// arrayBlock pads the array to whole sectors with what the copy has there.
func (t *Table) arrayBlock(own *Copy, at disk.Span, array []byte) Block {
	from := own
	if !own.fits(t.InForce) {
		from = t.InForce
	}
	return Block{at, append(slices.Clone(array), from.array[len(array):]...)}
}

// newProtective returns sector 0 with the size and the end tuple of its EE
// record changed, or nil if there is no such record. The record of a hybrid
// table changes only if it reaches to the end of the disk; those beside it follow
// the entries that they name.
func (t *Table) newProtective(target disk.Sector, changes map[int]disk.Span) ([]byte, error) {
	i, r, ok := protective(t.MBR)
	if !ok {
		return nil, nil
	}
	s := t.MBR.Clone()
	if err := t.keepInStep(s, changes); err != nil {
		return nil, err
	}
	end := disk.Sector(r.Start) + disk.Sector(r.Count)
	follows := !t.MBR.Hybrid() || end == t.ends() || end == t.Sectors
	if r.Count == math.MaxUint32 || !follows || disk.Sector(r.Start) >= target {
		return s.Bytes(), nil
	}
	count := min(target-disk.Sector(r.Start), math.MaxUint32)
	if count != disk.Sector(r.Count) {
		s.SetCount(i, uint32(count))
		s.SetEndCHS(i, endTuple(r, count))
	}
	return s.Bytes(), nil
}

// endTuple returns the end tuple of an EE record: as in the geometry in which
// the old one was right, else FF FF FF, as the EFI tables have it.
func endTuple(r mbr.Record, count disk.Sector) mbr.CHS {
	if r.EndCHS.Overflowed() {
		return r.EndCHS
	}
	start, last := disk.Sector(r.Start), disk.Sector(r.Start)+disk.Sector(r.Count)-1
	for _, g := range []mbr.Geometry{{Heads: 255, SectorsPerTrack: 63}, mbr.Assist(last + 1)} {
		if c := mbr.FromLBA(start+count-1, g); mbr.FromLBA(last, g) == r.EndCHS && c.LBA(g) == start+count-1 {
			return c
		}
	}
	return mbr.Overflow255
}
