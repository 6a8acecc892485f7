package compare

import (
	"iter"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// touched yields the first byte of every sector that a rule reads or makes, some of them often.
func (r *Rules) touched() iter.Seq[candidate.Place] {
	return func(yield func(candidate.Place) bool) {
		for i := range r.Fields {
			if !yield(r.Fields[i].SectorStart()) {
				return
			}
		}
		for i := range r.Copies {
			for x := range r.Copies[i].Count {
				if of, to := r.Copies[i].Pair(x); !yield(of) || !yield(to) {
					return
				}
			}
		}
		for i := range r.Checks {
			if !yield(r.Checks[i].SectorStart()) {
				return
			}
			for _, w := range r.Checks[i].Ways {
				for k := range (int64(w.Start.Byte)+w.Count-1)/int64(r.SectorSize) + 1 {
					if !yield(w.Start.SectorStart().After(disk.Sector(k))) {
						return
					}
				}
			}
		}
	}
}

// Touched returns the first byte of every sector that a rule reads or makes.
func (r *Rules) Touched() map[candidate.Place]bool {
	out := map[candidate.Place]bool{}
	for p := range r.touched() {
		out[p] = true
	}
	return out
}

// reaches returns how many sectors from the start of a disk, and how many before its end,
// hold all that the rules read or make there.
func (r *Rules) reaches() (head, tail disk.Sector) {
	for p := range r.touched() {
		if p.From == layout.FromEnd {
			tail = max(tail, p.Sector)
		} else {
			head = max(head, p.Sector+1)
		}
	}
	return head, tail
}

// TailReach returns how many sectors before the end of the disk the rules for
// its tail begin, 0 if there are none.
func (r *Rules) TailReach() disk.Sector {
	_, tail := r.reaches()
	return tail
}

// reach returns how many sectors a disk must have so that no rule for the head
// and rule for the tail mean the same sector.
func (r *Rules) reach() disk.Sector {
	head, tail := r.reaches()
	return max(1, head) + max(1, tail)
}

// Makes tells whether a rule makes any of some bytes of a sector: as a number, as a
// checksum or as a copy.
func (r *Rules) Makes(p candidate.Place, count int) bool {
	in := func(q candidate.Place, width int) bool {
		return q.SectorStart() == p.SectorStart() && q.Byte < p.Byte+count && p.Byte < q.Byte+width
	}
	return slices.ContainsFunc(r.Fields, func(f Field) bool { return in(f.Place, f.Width) }) ||
		slices.ContainsFunc(r.Checks, func(c Check) bool { return in(c.Place, c.Width) }) ||
		slices.ContainsFunc(r.Copies, func(c CopyRule) bool {
			return c.within(p) && !slices.ContainsFunc(c.Own, func(s Stretch) bool { return in(s.Place, s.Count) })
		})
}

// Only returns the rules that keep wants. It is asked about the bytes from and
// up to, and without, to of a sector for fields and checksums, and about no
// bytes of both sectors for copies, which fall to pieces where it says no.
func (r *Rules) Only(keep func(sector candidate.Place, from, to int) bool) *Rules {
	out := *r
	out.Fields = slices.DeleteFunc(slices.Clone(r.Fields),
		func(f Field) bool { return !keep(f.SectorStart(), f.Byte, f.Byte+f.Width) })
	for gone := -1; gone != len(out.Fields); { // nor can a number be known that follows from one which is not
		gone = len(out.Fields)
		out.Fields = slices.DeleteFunc(out.Fields, func(f Field) bool { return f.On != nil && out.Field(*f.On) == nil })
	}
	out.Checks = slices.DeleteFunc(slices.Clone(r.Checks),
		func(c Check) bool { return !keep(c.SectorStart(), c.Byte, c.Byte+c.Width) })
	out.Carried = slices.DeleteFunc(slices.Clone(r.Carried), func(s Stretch) bool {
		return s.Class != Content && !keep(s.SectorStart(), s.Byte, s.Byte+s.Count)
	})
	out.Copies = nil
	for _, c := range r.Copies {
		out.Copies = append(out.Copies, c.only(keep)...)
	}
	return &out
}

// only returns the runs of the copy whose sectors are kept.
func (c CopyRule) only(keep func(sector candidate.Place, from, to int) bool) (out []CopyRule) {
	open := false
	for x := range c.Count {
		of, to := c.Pair(x)
		switch {
		case !keep(of, 0, 0) || !keep(to, 0, 0):
			open = false
			continue
		case open:
			out[len(out)-1].Count++
		default:
			out = append(out, CopyRule{Repeat: candidate.Repeat{Of: of, To: to, Count: 1, Back: c.Back, Order: c.Order}})
			open = true
		}
		last := &out[len(out)-1]
		for _, s := range c.Own {
			if s.Place.SectorStart() == to {
				last.Own = append(last.Own, s)
			}
		}
	}
	return out
}

// SteadyTail tells whether anything that is the same on all originals lies before
// an end that the device may count on the source.
func (r *Rules) SteadyTail(src image.Source) (bool, error) {
	for _, c := range r.DiffersBy(image.Sectors(src), true) {
		if reach, err := r.alone(c).ConstantTail(src); err != nil || reach > 0 {
			return reach > 0, err
		}
	}
	return false, nil
}

// ConstantTail returns how many sectors before the end that the device counts on
// the source its first sector in use lies that is the same on all originals: at least TailReach.
// Sectors without a rule are content, and do not count. What the source does
// not know is passed over.
func (r *Rules) ConstantTail(src image.Source) (disk.Sector, error) {
	n := r.Counted(image.Sectors(src))
	area := disk.Span{Start: n - r.Tail, Count: r.Tail}.Common(image.Whole(src))
	content := disk.NewSpans(image.Unknown(src, area)...)
	for _, s := range r.Carried {
		if s.From == layout.FromEnd && s.Class == Content {
			content = content.Add(disk.Span{Start: s.At(n), Count: max(1, disk.Sector(s.Count/r.SectorSize))})
		}
	}
	reach := r.TailReach()
	size := int64(r.SectorSize)
	step := disk.Sector(chunk / size)
	for _, span := range content.Outside(area) {
		for x := span.Start; x < span.End() && n-x > reach; x += step {
			b, err := image.ReadSectors(src, disk.Between(x, min(x+step, span.End())))
			if err != nil {
				return 0, err
			}
			for i := int64(0); i < int64(len(b)); i += size {
				if _, blank := image.Blank(b[i : i+size]); !blank {
					return max(reach, n-x-disk.Sector(i/size)), nil
				}
			}
		}
	}
	return reach, nil
}
