// Package ata knows what a drive says of itself: the 512 bytes that it answers to
// the command IDENTIFY DEVICE, the four commands that may be sent to it, none of
// which changes anything, and how it answers them. It sends none: who can hands in
// a Sender.
//
// The standard is ATA/ATAPI Command Set (ACS), IDENTIFY DEVICE data; word numbers are
// in the comments. The numbers were typed from drive makers' manuals and from
// include/linux/ata.h, and are held against hdparm in the tests.
package ata

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"bootgraft/image/disk"
)

// Bytes is the length of the answer.
const Bytes = 512

// pageHead is what stands before the answer in the ATA Information page, which
// Linux keeps in the file vpd_pg89 (SCSI / ATA Translation: 60 bytes).
const pageHead = 60

// Geometry is how many cylinders, heads, and sectors in a track there are.
type Geometry struct{ Cylinders, Heads, Sectors int }

// Total returns the sectors of the geometry.
func (g Geometry) Total() disk.Sector {
	return disk.Sector(g.Cylinders) * disk.Sector(g.Heads) * disk.Sector(g.Sectors)
}

// Identify is what a drive says of itself.
type Identify struct {
	Model, Serial, Firmware string

	Default Geometry // words 1, 3 and 6
	Current Geometry // words 54 to 56; zero where the drive does not vouch for it

	Sectors    disk.Sector // that can be addressed now, 512 bytes each unless SectorSize says otherwise
	Sectors28  disk.Sector // words 60 and 61
	Sectors48  disk.Sector // words 100 to 103; 0 without 48-bit addresses
	SectorSize int         // logical, in bytes (words 106, 117, 118)

	CompactFlash bool // word 0 is 848Ah, which some 1-inch drives say too, or word 83 bit 2
	Protected    bool // a host protected area can be set up (word 82 bit 10)
	ProtectedOn  bool // the feature is enabled (word 85 bit 10); whether an area is hidden it does not say

	Security Security
	Checked  bool // the checksum in word 255 is there and right
}

// Security is word 128.
type Security struct{ Supported, Enabled, Locked, Frozen, Expired, Maximum bool }

// ErrNone says that bytes are no answer of a drive.
var ErrNone = errors.New("this is not what a drive answers to IDENTIFY DEVICE: 512 bytes, their 256 words " +
	"as text, or " +
	"the 572 bytes of the file vpd_pg89")

// Parse reads an answer as it is kept: 512 bytes, the 572 of the file vpd_pg89, or
// 256 words of four hexadecimal digits each. Bytes whose words are exchanged are put
// right. The error is ErrNone, or says what is wrong.
func Parse(b []byte) (*Identify, error) {
	switch {
	case len(b) == pageHead+Bytes && b[1] == 0x89:
		b = b[pageHead:]
	case len(b) != Bytes:
		if b = fromText(string(b)); b == nil {
			return nil, ErrNone
		}
	}
	if len(strings.Trim(string(b), string(b[:1]))) == 0 {
		return nil, fmt.Errorf("all 512 bytes are %02X: the drive, or what reads it, did not answer", b[0])
	}
	if swapped := exchange(b); !checked(b) && (checked(swapped) || !plausible(b) && plausible(swapped)) {
		b = swapped
	}
	if !plausible(b) {
		return nil, ErrNone
	}
	return decode(b)
}

// fromText reads words as text, as programs print them: 256 groups of four digits.
func fromText(s string) []byte {
	fields := strings.Fields(s)
	if len(fields) != Bytes/2 {
		return nil
	}
	out := make([]byte, 0, Bytes)
	for _, f := range fields {
		w, err := hex.DecodeString(f)
		if err != nil || len(w) != 2 {
			return nil
		}
		out = append(out, w[1], w[0])
	}
	return out
}

func exchange(b []byte) []byte {
	out := make([]byte, len(b))
	for i := 0; i+1 < len(b); i += 2 {
		out[i], out[i+1] = b[i+1], b[i]
	}
	return out
}

// checked tells whether the checksum is there and right.
func checked(b []byte) bool { return b[510] == 0xA5 && sum(b) == 0 }

// plausible tells whether the bytes may be an answer: a checksum that is right, or
// else, for drives from before there was one, a device word of a disk, printable texts
// and a geometry that a drive can have, which no exchanged one is.
func plausible(b []byte) bool {
	if checked(b) {
		return true
	}
	w := words(b)
	disk := w.at(0)&0x8000 == 0 || w.at(0) == flashWord
	return disk && w.text(27, 46) != "" && printable(b[20:40]) && printable(b[54:94]) && w.geometry(1, 3, 6).usual()
}

// flashWord is word 0 of a CompactFlash card.
const flashWord = 0x848A

// usual tells whether a drive can have a geometry: there are at most 16 heads.
func (g Geometry) usual() bool {
	return g.Cylinders > 0 && g.Heads > 0 && g.Heads <= 16 && g.Sectors > 0 && g.Sectors <= 255
}

func printable(b []byte) bool {
	for _, c := range b {
		if c != 0 && (c < ' ' || c > '~') {
			return false
		}
	}
	return true
}

func sum(b []byte) (s byte) {
	for _, c := range b {
		s += c
	}
	return s
}

// words are the 256 words of an answer, lowest byte first.
type words []byte

func (w words) at(i int) uint16 { return binary.LittleEndian.Uint16(w[2*i:]) }

func (w words) double(i int) uint32 { return binary.LittleEndian.Uint32(w[2*i:]) }

func (w words) bit(word, bit int) bool { return w.at(word)>>bit&1 == 1 }

// valid tells whether a word of the command sets means anything: bits 15 and 14 are
// 01 in it.
func (w words) valid(word int) bool { return w.at(word)>>14 == 1 }

// text reads words whose first letter is in the high byte.
func (w words) text(first, last int) string {
	return strings.TrimSpace(strings.ReplaceAll(string(exchange(w[2*first:2*last+2])), "\x00", " "))
}

func (w words) geometry(c, h, s int) Geometry {
	return Geometry{int(w.at(c)), int(w.at(h)), int(w.at(s))}
}

func decode(b []byte) (*Identify, error) {
	w := words(b)
	id := &Identify{
		Model: w.text(27, 46), Serial: w.text(10, 19), Firmware: w.text(23, 26),
		Default:    w.geometry(1, 3, 6),
		Sectors28:  disk.Sector(w.double(60)),
		SectorSize: 512,
		Protected:  w.valid(83) && w.bit(82, 10), ProtectedOn: w.valid(87) && w.bit(85, 10),
		CompactFlash: w.at(0) == flashWord || w.valid(83) && w.bit(83, 2),
		Checked:      checked(b),
	}
	if g := w.geometry(54, 55, 56); w.bit(53, 0) && g.usual() {
		id.Current = g
	}
	id.Sectors = id.Sectors28
	if w.valid(83) && w.bit(83, 10) {
		n := binary.LittleEndian.Uint64(w[200:])
		if n >= 1<<48 {
			return nil, fmt.Errorf("words 100 to 103 say %d sectors, more than 48 bits can name", n)
		}
		if id.Sectors48 = disk.Sector(n); n > 0 {
			id.Sectors = id.Sectors48
		}
	}
	if id.Sectors == 0 { // a drive from before addresses by number
		id.Sectors = id.Default.Total()
	}
	if w.valid(106) && w.bit(106, 12) {
		if n := 2 * int64(w.double(117)); n >= 512 && n <= 4096 && n&(n-1) == 0 {
			id.SectorSize = int(n)
		}
	}
	if v := w.at(128); v != 0xFFFF {
		bit := func(i int) bool { return v>>i&1 == 1 }
		id.Security = Security{bit(0), bit(1), bit(2), bit(3), bit(4), bit(8)}
	}
	return id, nil
}
