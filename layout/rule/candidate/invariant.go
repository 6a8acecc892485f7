package candidate

import (
	"bytes"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Invariant is a *Copy, a *Chain or a *Checksum that holds on one disk, in a form
// that can be asked of another one of any size: its places are counted from
// the start or from the end.
type Invariant interface {
	Code() disk.Code // of a disk on which it holds no longer
	Text() string    // one line for people

	// Holds tells whether the same is true of src. It is false where a place of it lies
	// outside src; an error means that src could not be read there, an image.UnknownError
	// that src does not know.
	Holds(src image.Source) (bool, error)

	// Sectors returns the sectors that it is about on a disk of n sectors.
	Sectors(n disk.Sector) disk.Spans
}

// Invariants returns what of the report can be asked of another disk.
func (r *Report) Invariants() (out []Invariant) {
	for i := range r.Copies {
		out = append(out, &r.Copies[i])
	}
	for i := range r.Chains {
		out = append(out, &r.Chains[i])
	}
	for i := range r.Checksums {
		out = append(out, &r.Checksums[i])
	}
	return out
}

// Code implements Invariant.
func (m *Copy) Code() disk.Code { return disk.CopyLeftBehind }

// Code implements Invariant.
func (c *Chain) Code() disk.Code { return disk.ChainBroken }

// Code implements Invariant.
func (c *Checksum) Code() disk.Code { return disk.ChecksumBroken }

// Sectors returns those of the original and of the copy.
func (m *Copy) Sectors(n disk.Sector) disk.Spans {
	to := m.To
	if m.Back {
		to = to.After(1 - m.Count)
	}
	return disk.NewSpans(disk.Span{Start: m.Of.At(n), Count: m.Count}, disk.Span{Start: to.At(n), Count: m.Count})
}

// Sectors returns the sector of the chain.
func (c *Chain) Sectors(n disk.Sector) disk.Spans {
	return disk.NewSpans(disk.Span{Start: c.At.At(n), Count: 1})
}

// Sectors returns those of the fields and of their spans.
func (c *Checksum) Sectors(n disk.Sector) disk.Spans {
	var spans []disk.Span
	for _, p := range c.At {
		spans = append(spans, disk.Span{Start: p.At(n), Count: 1},
			disk.Span{Start: p.After(c.First).At(n), Count: c.sectors()})
	}
	return disk.NewSpans(spans...)
}

// sectorAt reads the sector of a place, nil if src has none there.
func sectorAt(src image.Source, p Place) ([]byte, error) {
	at, n := p.At(image.Sectors(src)), image.Sectors(src)
	if at < 0 || at >= n {
		return nil, nil
	}
	return image.ReadSector(src, at)
}

// Holds compares the copy with its original.
func (m *Copy) Holds(src image.Source) (bool, error) {
	n := image.Sectors(src)
	for i := range m.Count {
		of, to := m.Pair(i)
		a, err := sectorAt(src, of)
		if a == nil || err != nil {
			return false, err
		}
		b, err := sectorAt(src, to)
		if b == nil || err != nil || of.At(n) == to.At(n) {
			return false, err
		}
		m.Order.Turn(a)
		for _, o := range m.Own {
			if o.Byte+o.Count > len(a) {
				return false, nil
			}
			copy(a[o.Byte:o.Byte+o.Count], b[o.Byte:])
		}
		if !bytes.Equal(a, b) {
			return false, nil
		}
	}
	return true, nil
}
