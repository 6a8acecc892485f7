package candidate

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// maxStarts is at how many sectors something may start that a field names.
const maxStarts = 48

// fields looks for the size of the disk near every border, then everywhere
// else, and for addresses near the borders.
func (l *looker) fields() error {
	starts := l.starts(maxStarts)
	few := append(slices.Clone(starts[:min(4, len(starts))]), l.afterHead()...)
	all := func() []pattern { return sizePatterns(l.n, l.size, few, anywhere) }
	edge := pick(all(), &l.stats, l.bytesOf(true), barEdge)
	near := pick(all(), &l.stats, l.bytesOf(false), barNear)
	addresses := pick(addressPatterns(l.n, l.size, starts), &l.stats, int64(len(l.near)*l.size), barPointer)
	lengths := pick(entryPatterns(l.entries, l.size, anywhere), &l.stats, int64(len(l.near)*l.size), barEntry)
	var found, pointers, ofEntries []hit
	for _, s := range l.near {
		if s.edge {
			found = edge.search(s.at, s.data, found)
		} else {
			found = near.search(s.at, s.data, found)
		}
		ofEntries = lengths.search(s.at, s.data, ofEntries)
		pointers = addresses.search(s.at, s.data, pointers)
	}
	far, err := l.far()
	if err != nil {
		return err
	}
	found = settle(append(found, far...))
	for _, p := range slices.Concat(settle(ofEntries), settle(pointers)) {
		if !slices.ContainsFunc(found, func(f hit) bool { return f.overlaps(&p) }) {
			found = append(found, p)
		}
	}
	l.addFields(found)
	return nil
}

// addFields adds what was found to the report, as far as a person reads it.
func (l *looker) addFields(found []hit) {
	for _, h := range found {
		l.out.Fields = append(l.out.Fields, layout.Field{
			Sector: h.sector, Offset: h.byte + h.p.at, Width: h.p.width, Encoding: string(h.p.encoding),
			Value: h.p.value, Meaning: h.p.meaning, ByChance: roundUp(h.p.by), Law: h.p.law,
			Entry: h.p.entry,
		})
	}
	slices.SortStableFunc(l.out.Fields, func(a, b layout.Field) int {
		return cmp.Or(cmp.Compare(a.Sector, b.Sector), cmp.Compare(a.Offset, b.Offset))
	})
	l.out.Fields = shorten(l.out.Fields, maxFields, &l.out.Left)
}

// bytesOf returns how many bytes lie at the very ends, or elsewhere near a border.
func (l *looker) bytesOf(edge bool) (n int64) {
	for _, s := range l.near {
		if s.edge == edge {
			n += int64(l.size)
		}
	}
	return n
}

// afterHead returns the sector after the first structures that follow each
// other without a long blank: where the rest of the disk may begin to count.
func (l *looker) afterHead() []disk.Sector {
	const gap = 128
	for i, s := range l.out.Structures {
		if i > 0 && s.Looks == lookBlank.String() && s.Count >= gap {
			return []disk.Sector{s.Start}
		}
	}
	return nil
}

// far looks for the size in what is searchable and not near a border.
func (l *looker) far() (found []hit, err error) {
	if l.farArea == 0 {
		return nil, nil
	}
	sizes := pick(sizePatterns(l.n, l.size, nil, evenly), &l.stats, l.farArea, barFar)
	if len(sizes.list) == 0 {
		return nil, nil
	}
	near := map[disk.Sector]bool{}
	for _, s := range l.near {
		near[s.at] = true
	}
	next := 0
	err = l.each(func(x disk.Sector, b []byte) {
		for next < len(l.sheets) && l.sheets[next].at < x {
			next++
		}
		if next < len(l.sheets) && l.sheets[next].at == x && l.sheets[next].look.searchable() && !near[x] {
			found = sizes.search(x, b, found)
		}
	})
	return found, err
}

// roundUp keeps two digits of a number of expected hits, never less than it,
// and never so little that it looks like none.
func roundUp(v float64) float64 {
	v = max(v, 1e-30)
	if v > 1 {
		return v
	}
	scale := math.Pow(10, math.Floor(math.Log10(v))-1)
	up := math.Ceil(v/scale) * scale
	out, err := strconv.ParseFloat(strconv.FormatFloat(up, 'g', 2, 64), 64)
	if err != nil {
		return v
	}
	return out
}
