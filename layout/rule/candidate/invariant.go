package candidate

import (
	"bytes"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Invariant is a copy, a chain or a checksum that holds on one disk, in a form
// that can be asked of another one of any size: its places are counted from
// the start or from the end. Exactly one of the three is set.
type Invariant struct {
	Copy     *Copy
	Chain    *Chain
	Checksum *Checksum
}

// Invariants returns what of the report can be asked of another disk.
func (r *Report) Invariants() (out []Invariant) {
	for i := range r.Copies {
		out = append(out, Invariant{Copy: &r.Copies[i]})
	}
	for i := range r.Chains {
		out = append(out, Invariant{Chain: &r.Chains[i]})
	}
	for i := range r.Checksums {
		out = append(out, Invariant{Checksum: &r.Checksums[i]})
	}
	return out
}

// Code is the stable name of the kind of invariant: copy, chain or checksum.
func (t Invariant) Code() string {
	switch {
	case t.Copy != nil:
		return "mirror"
	case t.Chain != nil:
		return "chain"
	}
	return "checksum"
}

// String describes the invariant in one line for people.
func (t Invariant) String() string {
	switch {
	case t.Copy != nil:
		return t.Copy.Text()
	case t.Chain != nil:
		return t.Chain.Text()
	}
	return t.Checksum.Text()
}

// Holds tells whether the same is true of src. It is false where a place of
// it lies outside src; an error means that src could not be read there, an
// image.UnknownError that src does not know.
func (t Invariant) Holds(src image.Source) (bool, error) {
	switch {
	case t.Copy != nil:
		return t.Copy.holds(src)
	case t.Chain != nil:
		return t.Chain.holds(src)
	case t.Checksum != nil:
		return t.Checksum.holds(src)
	}
	return false, fmt.Errorf("an empty invariant was asked for")
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
func (m *Copy) holds(src image.Source) (bool, error) {
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

// Sectors returns the sectors that the invariant is about on a disk of n sectors.
func (t Invariant) Sectors(n disk.Sector) disk.Spans {
	var spans []disk.Span
	add := func(p Place, count disk.Sector) { spans = append(spans, disk.Span{Start: p.At(n), Count: count}) }
	switch {
	case t.Copy != nil:
		add(t.Copy.Of, t.Copy.Count)
		to := t.Copy.To
		if t.Copy.Back {
			to = to.After(1 - t.Copy.Count)
		}
		add(to, t.Copy.Count)
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
