package compare

import (
	"bytes"
	"slices"

	"bootgraft/image"
	"bootgraft/layout/rule/candidate"
)

// checksOfCopies gives each copy of a sector with a checksum, of which the copy
// has bytes of its own, the same checksum over its own bytes, where that is right
// on every disk: a copy with a number in it is summed up with the number.
func (w *worker) checksOfCopies() {
	bySector := map[candidate.Place]*sheet{}
	for _, s := range w.sheets {
		bySector[s.at] = s
	}
	for i := range w.c.Copies {
		rule := &w.c.Copies[i]
		for x := range rule.Count {
			of, to := rule.Pair(x)
			for _, c := range slices.Clone(w.c.Checks) {
				if c.SectorStart() != of || rule.Order != image.Plain || len(w.c.Checks) == maxChecks {
					continue
				}
				mine, ok := w.checkOfCopy(c, of, to, bySector[to])
				if !ok {
					continue
				}
				w.c.Checks = append(w.c.Checks, mine)
				rule.own(bySector[to], mine.Byte, mine.Width)
			}
		}
	}
}

// checkOfCopy returns the checksum c of the sector of as that of its copy, if the
// copy has a byte of it of its own and it is right on every disk.
func (w *worker) checkOfCopy(c Check, of, to candidate.Place, s *sheet) (mine Check, ok bool) {
	if s == nil || !slices.Contains(s.own[c.Byte:c.Byte+c.Width], true) {
		return c, false
	}
	if slices.ContainsFunc(w.c.Checks, func(d Check) bool {
		return d.SectorStart() == to && d.Byte < c.Byte+c.Width &&
			c.Byte < d.Byte+d.Width
	}) {
		return c, false // it has one
	}
	mine = c
	mine.Place.From, mine.Place.Sector = to.From, to.Sector
	mine.Ways = nil
	for _, way := range c.Ways {
		if way.Start.SectorStart() != of || way.Start.Byte+int(way.Count) > w.c.SectorSize {
			continue
		}
		way.Start.From, way.Start.Sector = to.From, to.Sector
		if sumHolds(way, s) {
			mine.Ways = append(mine.Ways, way)
		}
	}
	return mine, len(mine.Ways) > 0 && mine.Ways[0].Byte == mine.Byte
}

// sumHolds tells whether a checksum inside one sector is right on every disk.
func sumHolds(way SumWay, s *sheet) bool {
	algorithm, err := candidate.SumOf(way.Sum)
	if err != nil {
		return false
	}
	for _, d := range s.data {
		b := bytes.Clone(d)
		blankOut(b, way.Byte, algorithm.Width)
		way.Order.Turn(b)
		want, err := encode(way.Encoding, algorithm.Of(b[way.Start.Byte:way.Start.Byte+int(way.Count)]))
		if err != nil || !bytes.Equal(want, d[way.Byte:way.Byte+len(want)]) {
			return false
		}
	}
	return true
}

// own notes that the copy does not get some bytes of s from its original.
func (c *CopyRule) own(s *sheet, at, width int) {
	for i := at; i < at+width; i++ {
		s.own[i], s.done[i] = true, true
	}
	c.Own = slices.DeleteFunc(c.Own, func(x Stretch) bool { return x.SectorStart() == s.at })
	for _, st := range stretches(s.own) {
		p := s.at
		p.Byte = st[0]
		c.Own = append(c.Own, Stretch{p, st[1] - st[0], CopyNumber})
	}
}
