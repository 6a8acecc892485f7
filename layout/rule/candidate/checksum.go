package candidate

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Checksum is a field that holds a checksum of a span. The span is counted
// from the sector of the field; where the same is true of several sectors, all
// of them are in At.
type Checksum struct {
	At       []Place
	Encoding Encoding
	Sum      string
	First    disk.Sector // sector of the span's first byte, counted from the field's
	Byte     int         // of the span's first byte in that sector
	Count    int64       // bytes
	Inside   bool        // the field lies in the span, and counts as zeros
	ByChance float64

	size int // of a sector, bytes
}

// sectors returns how many sectors the span touches.
func (c *Checksum) sectors() disk.Sector {
	return disk.Sector((int64(c.Byte) + c.Count + int64(c.size) - 1) / int64(c.size))
}

// Text describes the checksum in one line.
func (c *Checksum) Text() string {
	text := fmt.Sprintf("%s (%s) at %s", c.Sum, c.Encoding, c.At[0])
	if len(c.At) > 1 {
		text += fmt.Sprintf(" and in %d sectors more", len(c.At)-1)
	}
	span := fmt.Sprintf(" over %d bytes from byte %d of the same sector on", c.Count, c.Byte)
	if c.First != 0 {
		from := c.At[0].After(c.First)
		from.Byte = c.Byte
		span = fmt.Sprintf(" over %d bytes from %s on", c.Count, from)
	}
	if c.Inside {
		span += ", the field itself as zeros"
	}
	return text + span
}

// Holds computes the checksum of every sector again.
func (c *Checksum) Holds(src image.Source) (bool, error) {
	form, err := FormOf(c.Encoding)
	if err != nil {
		return false, err
	}
	sum, err := SumOf(c.Sum)
	if err != nil {
		return false, err
	}
	for _, p := range c.At {
		if ok, err := c.holdsAt(src, p, form, sum); !ok || err != nil {
			return false, err
		}
	}
	return true, nil
}

func (c *Checksum) holdsAt(src image.Source, p Place, form *Form, sum *Sum) (bool, error) {
	size := int64(src.SectorSize())
	b, err := sectorAt(src, p)
	if b == nil || err != nil || p.Byte+form.Width > len(b) {
		return false, err
	}
	want, _ := form.Decode(b[p.Byte:])
	from := int64(p.At(image.Sectors(src))+c.First)*size + int64(c.Byte)
	field := int64(p.At(image.Sectors(src)))*size + int64(p.Byte) - from
	if from < 0 || c.Count < 0 || c.Count > image.MaxRead || from > src.Size()-c.Count {
		return false, nil
	}
	data := make([]byte, c.Count)
	if err := image.ReadFull(src, data, from); err != nil {
		return false, err
	}
	if c.Inside {
		zero(data, field, form.Width)
	}
	return sum.Of(data) == want, nil
}

// zero clears width bytes at at, as far as they lie in b.
func zero(b []byte, at int64, width int) {
	for i := max(0, at); i < min(int64(len(b)), at+int64(width)); i++ {
		b[i] = 0
	}
}

// sumForms are the encodings of a checksum of so many bytes.
var sumForms = map[int][]Encoding{1: {"u8"}, 2: {"le16", "be16"}, 4: {"le32", "be32"}}
