package drawing

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// whose says who owns sectors of a card: a region of the drive, at its old or at
// another address, or nobody of the drive.
type whose struct {
	region int // of the map, or -1
	moved  bool
	other  layout.Reason // why sectors that no region owns are as they are
}

// cardParts gathers the pieces of a plan into parts with one owner each.
type cardParts struct {
	m     *layout.Map
	shift disk.Sector // by how much the tail moved
	tail  disk.Span   // where it lies on the card, if it moved
	parts []Part
	last  whose
	count [NotLooked + 1]disk.Sector // sectors of the last part, by look
}

func newCardParts(m *layout.Map, p *plan.Plan) *cardParts {
	c := &cardParts{m: m}
	for i := range p.Pieces {
		if q := &p.Pieces[i]; q.Why == layout.WhyTailMoved {
			c.shift = q.Start - q.From
			break
		}
	}
	for _, r := range m.Regions {
		if r.Role == layout.RoleTail && c.shift != 0 {
			c.tail = disk.Span{Start: r.Start + c.shift, Count: r.Count}
		}
	}
	return c
}

// add takes the next piece. What is copied across the border of two regions
// belongs to both.
func (c *cardParts) add(q layout.Piece) {
	for q.Count > 0 {
		w := c.whose(q)
		n := q.Count
		if q.Op == layout.Copy && w.region >= 0 && q.Why != layout.WhyOtherCopy {
			if r := c.m.Regions[w.region]; r.Holds(q.From) {
				n = min(n, r.End()-q.From)
			}
		} else if w.region >= 0 && !w.moved && q.Why != layout.WhyVolume && q.Why != layout.WhyVolumeFree {
			if r := c.m.Regions[w.region]; r.Holds(q.Start) {
				n = min(n, r.End()-q.Start)
			}
		}
		c.put(w, disk.Span{Start: q.Start, Count: n}, q)
		q.Start += n
		q.Count -= n
		if q.Op == layout.Copy {
			q.From += n
		}
	}
}

// whose tells whose sectors a piece begins with.
func (c *cardParts) whose(q layout.Piece) whose {
	switch q.Why {
	case layout.WhyUnchanged, layout.WhyTailKept:
		return whose{region: c.regionAt(q.From)}
	case layout.WhyTailMoved:
		return whose{region: c.regionAt(q.From), moved: true}
	case layout.WhyVolume, layout.WhyVolumeMoved, layout.WhyVolumeFree, layout.WhyEmptied:
		if i := c.volumeBefore(q.Start); i >= 0 {
			return whose{region: i}
		}
	case layout.WhyExcess, layout.WhyTableCopy, layout.WhyOldTable:
		return whose{region: -1, other: q.Why}
	}
	switch {
	case c.tail.Holds(q.Start):
		return whose{region: c.regionAt(q.Start - c.shift), moved: true}
	case q.Start < c.m.Sectors:
		return whose{region: c.regionAt(q.Start)}
	}
	return whose{region: -1, other: q.Why}
}

// regionAt returns the index of the region that holds a sector of the drive.
func (c *cardParts) regionAt(x disk.Sector) int {
	i, found := slices.BinarySearchFunc(c.m.Regions, x, func(r layout.Region, x disk.Sector) int {
		if r.Holds(x) {
			return 0
		}
		return cmp.Compare(r.Start, x)
	})
	if !found {
		return -1
	}
	return i
}

// volumeBefore returns the index of the last volume that begins at or before a
// sector, or -1. Volumes keep their first sector.
func (c *cardParts) volumeBefore(x disk.Sector) int {
	for i, r := range slices.Backward(c.m.Regions) {
		if r.Role == layout.RoleVolume && r.Start <= x {
			return i
		}
	}
	return -1
}

// put adds a run to the part of its owner.
func (c *cardParts) put(w whose, s disk.Span, q layout.Piece) {
	if len(c.parts) == 0 || w != c.last {
		c.close()
		c.parts = append(c.parts, c.begin(w, s))
		c.last = w
	}
	p := &c.parts[len(c.parts)-1]
	look := opLook[q.Op]
	p.Count = s.End() - p.Start
	c.count[look] += s.Count
	if n := len(p.Runs); n > 0 && p.Runs[n-1].Look == look {
		p.Runs[n-1].Count += s.Count
	} else {
		p.Runs = coarse(append(p.Runs, Run{s, look}))
	}
	// A cluster that found another place is no reason to draw its whole volume askew.
	if q.Op != layout.Copy || q.Why == layout.WhyVolumeMoved || q.Why == layout.WhyOtherCopy {
		return
	}
	from := disk.Span{Start: q.From, Count: s.Count}
	if p.to.Empty() {
		p.from, p.to = from, s
	} else {
		p.from, p.to = hull(p.from, from), hull(p.to, s)
	}
}

// begin returns an empty part for an owner.
func (c *cardParts) begin(w whose, s disk.Span) Part {
	p := Part{Span: disk.Span{Start: s.Start}, region: w.region, moved: w.moved}
	switch {
	case w.region >= 0:
		r := c.m.Regions[w.region]
		p.Name, p.Vital = r.Name, isVital(r)
	case w.other == layout.WhyTableCopy:
		p.Name, p.Vital = "backup table", true
	case w.other == layout.WhyOldTable:
		p.Name = "where the backup table was"
	default:
		p.Name = "more than the drive had"
	}
	return p
}

// close says what becomes of the sectors of the last part.
func (c *cardParts) close() {
	if len(c.parts) == 0 {
		return
	}
	p := &c.parts[len(c.parts)-1]
	var words []string
	for look, n := range c.count {
		switch {
		case n == p.Count:
			words = append(words, lookWords[Look(look)])
		case n > 0:
			words = append(words, fmt.Sprintf("%s %s", disk.Grouped(n), lookWords[Look(look)]))
		}
	}
	p.Note = strings.Join(words, ", ")
	if p.moved {
		p.Note += "; moved to the new end"
	}
	c.count = [NotLooked + 1]disk.Sector{}
}

// finish returns the parts.
func (c *cardParts) finish() []Part {
	c.close()
	return c.parts
}
