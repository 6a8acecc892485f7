package document

import (
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan"
)

// Outside is what a look outside the volumes found: candidates.
type Outside struct {
	Searched   []disk.Span   `json:"searched"`
	Unknown    disk.Sector   `json:"searched_unknown_sectors"`
	Content    disk.Sector   `json:"content_sectors"`
	Structures []Structure   `json:"structures"`
	Strings    Strings       `json:"strings"`
	Records    []Record      `json:"records"`
	Mirrors    []Mirror      `json:"mirrors"`
	Chains     []Chain       `json:"chains"`
	Checksums  []Checksum    `json:"checksums"`
	Orders     []OrderRegion `json:"byte_orders"`
	Through    []Through     `json:"through_byte_order"`
	Left       int           `json:"candidates_left_out"`
}

// Structure is a run of sectors that look alike, between two borders.
type Structure struct {
	disk.Span
	Looks   string  `json:"looks"`   // blank, fill, pattern, text, data, packed, sound, not known
	Entropy float64 `json:"entropy"` // bits a byte, mean of its sectors
}

// Strings sums up the readable text.
type Strings struct {
	Shortest int    `json:"shortest"` // characters; shorter ones are expected by chance
	Count    int    `json:"count"`
	Shown    []Text `json:"shown"` // the first of them
}

// Text is a run of printable characters.
type Text struct {
	Sector disk.Sector `json:"sector"`
	Offset int         `json:"offset"`
	Text   string      `json:"text"`
}

// Record is a structure in which bytes repeat at a constant distance.
type Record struct {
	disk.Span
	Bytes    int     `json:"bytes"` // from one record to the next
	Same     float64 `json:"same"`  // share of bytes that repeat
	ByChance float64 `json:"expected_by_chance"`
}

// Place is a byte of a disk, counted from its start or from its end.
type Place struct {
	From   layout.Anchor `json:"from"`
	Sector disk.Sector   `json:"sector"` // from the start: 0 is the first; from the end: 1 is the last
	Byte   int           `json:"byte"`
}

// Mirror is a run of sectors that is found once more.
type Mirror struct {
	Of       Place       `json:"of"` // first sector of the original
	To       Place       `json:"to"` // the copy of that sector
	Count    disk.Sector `json:"count"`
	Back     bool        `json:"back,omitempty"` // the copy of the next sector lies before To
	Turned   string      `json:"order"`          // byte order of the copy as the original reads
	Own      []Bytes     `json:"own,omitempty"`  // what the copy has for itself in every sector
	Blocks   bool        `json:"blocks,omitempty"`
	Number   bool        `json:"copy_number,omitempty"`
	ByChance float64     `json:"expected_by_chance"`
}

// Bytes is a run of bytes of a sector.
type Bytes struct {
	Byte  int `json:"byte"`
	Count int `json:"count"`
}

// Chain is a list of records each of which begins where the one before ends.
type Chain struct {
	At       Place              `json:"at"` // start of the first record
	Encoding candidate.Encoding `json:"encoding"`
	Stride   int                `json:"stride"` // bytes from one record to the next
	Records  int                `json:"records"`
	First    disk.Sector        `json:"first"`           // its first start
	End      disk.Sector        `json:"end"`             // start and length of the last
	Total    *Place             `json:"total,omitempty"` // a field that holds End-First
	Base     *Place             `json:"base,omitempty"`  // a field that the starts are counted from
	FromEnd  disk.Sector        `json:"end_from_end"`    // -1: no reason to count from there
	ByChance float64            `json:"expected_by_chance"`
}

// Checksum is a field that holds the sum of a span.
type Checksum struct {
	At       []Place            `json:"at"`
	Encoding candidate.Encoding `json:"encoding"`
	Sum      string             `json:"sum"`
	First    disk.Sector        `json:"first"`            // sector of the span's first byte, counted from the field's
	Byte     int                `json:"byte"`             // of the span's first byte in that sector
	Count    int64              `json:"count"`            // bytes
	Inside   bool               `json:"inside,omitempty"` // the field lies in the span, and counts as zeros
	ByChance float64            `json:"expected_by_chance"`
}

// OrderRegion is a run of sectors whose byte order shows itself.
type OrderRegion struct {
	disk.Span
	Order    string   `json:"order"`
	Evidence []string `json:"evidence"`
	ByChance float64  `json:"expected_by_chance"`
}

// Through is a table that another byte order shows.
type Through struct {
	Order     string   `json:"order"`
	Signature string   `json:"signature,omitempty"` // hexadecimal
	Table     string   `json:"table"`
	Entries   []Entry  `json:"entries"`
	Volumes   []Volume `json:"volumes"`
}

// Add adds what lies outside the volumes.
func (s *Survey) Add(o *scan.Outside) {
	s.Fields, s.Findings = each(o.Fields, field), append(s.Findings, findings(o.Findings)...)
	s.Outside = &Outside{
		Searched: some(o.Searched), Unknown: o.Unknown, Content: o.Content, Left: o.Left,
		Structures: each(o.Structures, func(x candidate.Structure) Structure { return Structure(x) }),
		Strings:    foundStrings(o.Strings),
		Records:    each(o.Records, func(x candidate.Record) Record { return Record(x) }),
		Mirrors:    each(o.Copies, mirror), Chains: each(o.Chains, chain), Checksums: each(o.Checksums, checksum),
		Orders: each(o.Orders, func(x candidate.OrderRegion) OrderRegion { return OrderRegion(x) }),
		Through: each(o.Through, func(t scan.Through) Through {
			signature := fmt.Sprintf("%x", t.Signature)
			return Through{t.Order.String(), signature, t.Table.Kind, entries(t.Table.Entries), each(t.Volumes, volume)}
		}),
	}
}

func foundStrings(s candidate.Strings) Strings {
	return Strings{s.Shortest, s.Count, each(s.Shown, func(x candidate.FoundText) Text { return Text(x) })}
}

func place(p candidate.Place) Place { return Place(p) }

// placeOf is null where there is no place.
func placeOf(p *candidate.Place) *Place { return (*Place)(p) }

func mirror(m candidate.Copy) Mirror {
	own := each(m.Own, func(x candidate.Stretch) Bytes { return Bytes(x) })
	return Mirror{place(m.Of), place(m.To), m.Count, m.Back, m.Turned, own, m.Blocks, m.Number, m.ByChance}
}

func chain(c candidate.Chain) Chain {
	return Chain{place(c.At), c.Encoding, c.Stride, c.Records, c.First, c.End, placeOf(c.Total), placeOf(c.Base),
		c.FromEnd, c.ByChance}
}

func checksum(c candidate.Checksum) Checksum {
	return Checksum{each(c.At, place), c.Encoding, c.Sum, c.First, c.Byte, c.Count, c.Inside, c.ByChance}
}
