// Package donor decides which sectors another unit of the same model may give to a
// drive that lost them. Two units of one model have the same start-up program, as a
// rule; their files, and what names the unit, are their own. So nothing is taken
// inside a volume, nothing from a unit of another size or layout, and nothing beside
// sectors in which the two units differ.
package donor

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
)

// Unit is one of two drives of a model.
type Unit struct {
	Name string // as the owner calls it
	Src  image.Source
	Map  *layout.Map
}

// Gift is what one unit may give to another.
type Gift struct {
	Spans    disk.Spans  // sectors that the one lacks and the other has
	Identity []kit.Mark  // bytes of them that name the unit which gives
	Alike    disk.Sector // known neighbours that were compared, and are equal
}

// RefusedError says why nothing may be taken.
type RefusedError struct{ Why string }

func (e *RefusedError) Error() string { return e.Why }

func refuse(format string, args ...any) error { return &RefusedError{fmt.Sprintf(format, args...)} }

// neighbours is how many sectors on each side of a gap are compared: by hand, no
// source. A start-up program of another version differs within a few sectors.
const neighbours = 8

// Judge says what gives may give to lacks of the sectors in within. The error is a
// *RefusedError, or a failed read.
func Judge(lacks, gives Unit, within disk.Spans) (*Gift, error) {
	if err := sameLayout(lacks, gives); err != nil {
		return nil, err
	}
	g := &Gift{}
	for _, w := range within {
		for _, s := range image.Unknown(lacks.Src, w) {
			g.Spans = append(g.Spans, image.Unknown(gives.Src, s).Outside(s)...)
		}
	}
	g.Spans = disk.NewSpans(g.Spans...)
	if len(g.Spans) == 0 {
		return nil, refuse("%s has none of the sectors that %s lacks in this span", gives.Name, lacks.Name)
	}
	volumes := volumesOf(lacks.Map).Union(volumesOf(gives.Map))
	for _, s := range g.Spans {
		if in := volumes.Within(s); len(in) > 0 {
			return nil, refuse("%s of the span lie inside a volume, the first is sector %s: what is there belongs to "+
				"one unit alone. Give spans outside the volumes, such as %s",
				disk.Counted(g.Spans.Sectors()-outside(volumes, g.Spans).Sectors(),
					"sector"), disk.Grouped(in[0].Start), example(volumes, within))
		}
	}
	var err error
	if g.Identity, err = gather.Identity(gives.Src, gives.Map, g.Spans); err != nil {
		return nil, err
	}
	return g, g.compare(lacks, gives, volumes)
}

// sameLayout refuses a unit of another size, or with other entries.
func sameLayout(a, b Unit) error {
	if a.Map.Sectors != b.Map.Sectors || a.Map.SectorSize != b.Map.SectorSize {
		return refuse("%s has %s sectors of %d bytes, and %s has %s of %d: places counted from the end, and numbers of the "+
			"size, would be wrong. "+
			"Only a unit with a drive of the same size can give sectors", a.Name, disk.Grouped(a.Map.Sectors), a.Map.SectorSize,
			b.Name, disk.Grouped(b.Map.Sectors), b.Map.SectorSize)
	}
	if !tableKnown(a) || !tableKnown(b) {
		return nil // it is what was lost: the neighbours decide
	}
	if a.Map.Table != b.Map.Table {
		return refuse("%s has the table %s, and %s the table %s: they are not laid out alike", a.Name, a.Map.Table, b.Name,
			b.Map.Table)
	}
	for i := range max(len(a.Map.Entries), len(b.Map.Entries)) {
		if i >= len(a.Map.Entries) || i >= len(b.Map.Entries) {
			return refuse("the table of %s has %d used entries, and that of %s has %d: they are not laid out alike",
				a.Name, len(a.Map.Entries), b.Name, len(b.Map.Entries))
		}
		x, y := a.Map.Entries[i], b.Map.Entries[i]
		if x.Span != y.Span || x.Index != y.Index || x.Type != y.Type {
			return refuse("entry %d of %s begins at sector %s and has %s, type %s; entry %d of %s begins at sector %s and has "+
				"%s, type %s: "+
				"they are not laid out alike", x.Index, a.Name, disk.Grouped(x.Start), disk.Counted(x.Count, "sector"), x.Type,
				y.Index, b.Name, disk.Grouped(y.Start), disk.Counted(y.Count, "sector"), y.Type)
		}
	}
	return nil
}

// tableKnown tells whether every sector is known in which a table could stand, or in
// which the table that was found does.
func tableKnown(u Unit) bool {
	if len(image.Unknown(u.Src, disk.Span{Count: 1})) > 0 {
		return false
	}
	for _, t := range u.Map.Tables {
		for _, s := range t.Own {
			if len(image.Unknown(u.Src, s)) > 0 {
				return false
			}
		}
	}
	return true
}

// volumesOf returns what files and names of a unit lie in: its volumes, and the entries
// of its table, whatever is in them.
func volumesOf(m *layout.Map) (out disk.Spans) {
	for _, r := range m.Regions {
		if r.Role == layout.RoleVolume {
			out = out.Union(disk.Spans{r.Span})
		}
	}
	return out
}

func outside(volumes, spans disk.Spans) (out disk.Spans) {
	for _, s := range spans {
		out = append(out, volumes.Outside(s)...)
	}
	return out
}

// example is a span that may be typed instead.
func example(volumes, within disk.Spans) string {
	if free := outside(volumes, within); len(free) > 0 {
		return free[0].String()
	}
	return "0+1"
}

// compare holds the neighbours of every gap against each other, but for bytes that name
// a unit. Where no neighbour is known in both units nothing tells that they belong
// together.
func (g *Gift) compare(lacks, gives Unit, volumes disk.Spans) error {
	beside := make([]disk.Spans, len(g.Spans))
	var all disk.Spans
	for i, s := range g.Spans {
		near := disk.Between(max(0, s.Start-neighbours), min(lacks.Map.Sectors, s.End()+neighbours))
		for _, free := range volumes.Outside(near) {
			for _, known := range image.Unknown(lacks.Src, free).Outside(free) {
				beside[i] = append(beside[i], image.Unknown(gives.Src, known).Outside(known)...)
			}
		}
		if len(beside[i]) == 0 {
			return refuse("beside %s no sector is known of both units, so nothing shows that their start-up programs "+
				"are the same. Capture more of %s first", s.Text(), lacks.Name)
		}
		all = all.Union(beside[i])
	}
	c := comparer{lacks: lacks.Src, gives: gives.Src}
	for _, u := range []Unit{lacks, gives} {
		m, err := gather.Identity(u.Src, u.Map, all)
		if err != nil {
			return err
		}
		c.names = append(c.names, m...)
	}
	for i, s := range g.Spans {
		alike, err := c.equal(beside[i], s)
		if err != nil {
			return err
		}
		g.Alike += alike
	}
	return nil
}

// comparer compares sectors of two units.
type comparer struct {
	lacks, gives image.Source
	names        []kit.Mark // bytes that do not count
}

// equal counts the sectors beside the gap s, and refuses it where they differ.
func (c *comparer) equal(beside disk.Spans, s disk.Span) (n disk.Sector, err error) {
	blank := true
	for _, span := range beside {
		for x := span.Start; x < span.End(); x++ {
			a, err := c.masked(c.lacks, x)
			if err != nil {
				return 0, err
			}
			b, err := c.masked(c.gives, x)
			if err != nil {
				return 0, err
			}
			for at := range a {
				if a[at] != b[at] {
					return 0, refuse("sector %s, beside the missing %s, differs in the two units from byte %d on: what stands "+
						"between may differ too", disk.Grouped(x), s.Text(), at)
				}
			}
			if _, is := image.Blank(a); !is {
				blank = false
			}
			n++
		}
	}
	if blank {
		return 0, refuse("beside the missing %s both units hold nothing, which does not show that the same stood there",
			s.Text())
	}
	return n, nil
}

// masked returns a sector without the bytes that name a unit.
func (c *comparer) masked(src image.Source, x disk.Sector) ([]byte, error) {
	b, err := image.ReadSector(src, x)
	if err != nil {
		return nil, err
	}
	for _, m := range c.names {
		if m.Sector == x {
			clear(b[m.Offset : m.Offset+m.Count])
		}
	}
	return b, nil
}
