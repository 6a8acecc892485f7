package gpt

import (
	"fmt"
	"hash/crc32"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Copy is one copy of the table: a header and its entry array.
type Copy struct {
	At     disk.Sector // where its header was looked for
	Header *Header     // nil if the sector holds no header or cannot be read
	Fault  error       // why it is not valid; nil if it is
	array  []byte      // whole sectors of the array; nil unless the copy is valid
}

// Valid tells whether signature, CRCs and places are all right.
func (c *Copy) Valid() bool { return c.Fault == nil }

// Spans returns the sectors of a valid copy: its header and its array. Of one
// that is not valid it is the header alone, and nothing if there is none.
func (c *Copy) Spans() disk.Spans {
	if c.Header == nil {
		return nil
	}
	own := disk.Spans{{Start: c.At, Count: 1}}
	if c.Valid() {
		own = own.Union(disk.Spans{c.Header.array()})
	}
	return own
}

// Entries returns every entry of a valid copy, used or not.
func (c *Copy) Entries() []Entry {
	if !c.Valid() {
		return nil
	}
	out := make([]Entry, c.Header.Count())
	for i := range out {
		out[i] = parseEntry(c.array[i*int(c.Header.EntrySize()):])
	}
	return out
}

// readCopy reads the copy whose header should lie at a sector of the disk.
func readCopy(src image.Source, at disk.Sector) *Copy {
	c := &Copy{At: at}
	b, err := image.ReadSector(src, at)
	if err != nil {
		c.Fault = fmt.Errorf("header: %w", err)
		return c
	}
	if len(b) < 512 || string(b[:len(signature)]) != signature {
		c.Fault = disk.Absentf(format, at, 0, "no signature %q", signature)
		return c
	}
	c.Header = &Header{b}
	if c.Fault = c.Header.check(at, image.Sectors(src)); c.Fault != nil {
		return c
	}
	array, err := image.ReadSectors(src, c.Header.array())
	if err != nil {
		c.Fault = fmt.Errorf("entry array: %w", err)
		return c
	}
	if sum := crc32.ChecksumIEEE(array[:c.Header.arrayBytes()]); sum != c.Header.ArrayCRC() {
		c.Fault = disk.Malformedf(format, at, arrayCRCAt, "the CRC of the entry array is %08X, its bytes give %08X",
			c.Header.ArrayCRC(), sum)
		return c
	}
	c.array = array
	return c
}
