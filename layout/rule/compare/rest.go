package compare

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// rest classes what no rule explains: disks of one size tell what belongs to
// the unit, one unit twice tells what changes by itself.
func (w *worker) rest() {
	for _, s := range w.sheets {
		if s.copy {
			w.ownBytes(s)
		}
		for i := 0; i < len(s.diff); i++ {
			if !s.diff[i] {
				w.c.Bytes[Constant]++
				continue
			}
			if s.done[i] {
				continue
			}
			class := w.class(s, i)
			j := i + 1
			for j < len(s.diff) && s.diff[j] && !s.done[j] && w.class(s, j) == class {
				j++
			}
			p := s.at
			p.Byte = i
			w.c.Carried = append(w.c.Carried, Stretch{p, j - i, class})
			w.c.Bytes[class] += int64(j - i)
			i = j - 1
		}
	}
	w.unexplained()
	for _, p := range w.c.content {
		w.c.Carried = appendContent(w.c.Carried, p, w.c.SectorSize)
	}
	slices.SortFunc(w.c.Carried, func(a, b Stretch) int { return a.Place.Compare(b.Place) })
}

// ownBytes counts what a copy shares with its original and has of its own.
func (w *worker) ownBytes(s *sheet) {
	for i := range s.diff {
		switch {
		case !s.own[i] && s.diff[i]:
			w.c.Bytes[Copy]++
		case s.own[i] && !s.diff[i]:
			w.c.Bytes[CopyNumber]++
			w.c.Bytes[Constant]--
		}
	}
}

// appendContent adds a sector, as part of the run before it if it follows it.
func appendContent(list []Stretch, p candidate.Place, size int) []Stretch {
	if n := len(list); n > 0 {
		last := &list[n-1]
		if last.Class == Content && last.Place.After(disk.Sector(last.Count/size)) == p && last.Count < 1<<30 {
			last.Count += size
			return list
		}
	}
	return append(list, Stretch{p, size, Content})
}

// class tells why byte i differs, from pairs of disks of one size.
func (w *worker) class(s *sheet, i int) Class {
	identity, volatile := false, false
	for a := range s.data {
		for b := range a {
			if w.c.sizes[a] != w.c.sizes[b] || s.data[a][i] == s.data[b][i] {
				continue
			}
			if w.c.units[a] != "" && w.c.units[a] == w.c.units[b] {
				volatile = true
			} else {
				identity = true
			}
		}
	}
	switch {
	case volatile:
		return Volatile
	case identity:
		return Identity
	}
	return Unknown
}

// say puts what these disks can and cannot decide into findings.
func (c *Comparison) say() {
	distinct := slices.Compact(slices.Clone(c.Sizes))
	note := func(code disk.Code, text string, args ...any) {
		c.Findings = append(c.Findings, disk.Notef(code, disk.NoSector, text, args...))
	}
	switch {
	case len(distinct) == 1:
		note(disk.CompareOneSize, "all %d originals have %d sectors: they tell what belongs to the unit or changes by "+
			"itself, and nothing about the size. One of another size is needed", len(c.Sizes), distinct[0])
	case len(distinct) == 2:
		note(disk.CompareTwoSizes, "two sizes decide only what is simple: whole numbers of sectors or bytes that nothing "+
			"was solved for. A unit or an amount taken away needs a third size")
	}
	if len(distinct) == len(c.Sizes) {
		note(disk.CompareNoPair, "no two originals have one size: what belongs to the unit and what changes by itself "+
			"cannot be told apart")
	}
	var lost disk.Sector
	for _, u := range c.unread {
		lost += u.count
	}
	if lost > 0 {
		c.Findings = append(c.Findings, disk.Warningf(disk.CompareNotRead, disk.NoSector,
			"%d sectors of the boot areas are not known in every original, the first at %s, and were not compared", lost,
			c.unread[0].String()))
	}
	undecided := 0
	for i := range c.Fields {
		if c.Fields[i].Bits < bar || c.Fields[i].Doubt != "" {
			undecided++
		}
	}
	if undecided > 0 {
		note(disk.CompareUndecided, "%d fields follow the size on all originals, but not surely enough: another size "+
			"decides most", undecided)
	}
}
