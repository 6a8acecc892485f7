package candidate

import (
	"bytes"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Truth is a mirror, a chain or a checksum that holds on one disk, in a form
// that can be asked of another one of any size: its places are counted from
// the start or from the end. Exactly one of the three is set.
type Truth struct {
	Mirror   *Mirror
	Chain    *Chain
	Checksum *Checksum
}

// Truths returns what of the report can be asked of another disk.
func (r *Report) Truths() (out []Truth) {
	for i := range r.Mirrors {
		out = append(out, Truth{Mirror: &r.Mirrors[i]})
	}
	for i := range r.Chains {
		out = append(out, Truth{Chain: &r.Chains[i]})
	}
	for i := range r.Checksums {
		out = append(out, Truth{Checksum: &r.Checksums[i]})
	}
	return out
}

// Code is the stable name of the kind of truth: mirror, chain or checksum.
func (t Truth) Code() string {
	switch {
	case t.Mirror != nil:
		return "mirror"
	case t.Chain != nil:
		return "chain"
	}
	return "checksum"
}

// String describes the truth in one line for people.
func (t Truth) String() string {
	switch {
	case t.Mirror != nil:
		return t.Mirror.Text()
	case t.Chain != nil:
		return t.Chain.Text()
	}
	return t.Checksum.Text()
}

// Holds tells whether the same is true of src. It is false where a place of
// it lies outside src; an error means that src could not be read there, an
// image.UnknownError that src does not know.
func (t Truth) Holds(src image.Source) (bool, error) {
	switch {
	case t.Mirror != nil:
		return t.Mirror.holds(src)
	case t.Chain != nil:
		return t.Chain.holds(src)
	case t.Checksum != nil:
		return t.Checksum.holds(src)
	}
	return false, fmt.Errorf("an empty truth was asked for")
}

// sectorAt reads the sector of a place, nil if src has none there.
func sectorAt(src image.Source, p Place) ([]byte, error) {
	at, n := p.At(image.Sectors(src)), image.Sectors(src)
	if at < 0 || at >= n {
		return nil, nil
	}
	return image.ReadSector(src, at)
}

// holds compares the copy with its original.
func (m *Mirror) holds(src image.Source) (bool, error) {
	n, of, to, back := image.Sectors(src), m.Of, m.To, disk.Sector(1)
	if m.Back {
		back = -1
	}
	for range m.Count {
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
		of, to = of.After(1), to.After(back)
	}
	return true, nil
}

// Sectors returns the sectors that the truth is about on a disk of n sectors.
func (t Truth) Sectors(n disk.Sector) disk.Spans {
	var spans []disk.Span
	add := func(p Place, count disk.Sector) { spans = append(spans, disk.Span{Start: p.At(n), Count: count}) }
	switch {
	case t.Mirror != nil:
		add(t.Mirror.Of, t.Mirror.Count)
		to := t.Mirror.To
		if t.Mirror.Back {
			to = to.After(1 - t.Mirror.Count)
		}
		add(to, t.Mirror.Count)
	case t.Chain != nil:
		add(t.Chain.At, 1)
	case t.Checksum != nil:
		for _, p := range t.Checksum.At {
			add(p, 1)
			add(p.After(t.Checksum.First), t.Checksum.sectors())
		}
	}
	return disk.NewSpans(spans...)
}
