// Package drawing draws a drive and the card that is planned from it: two bars,
// one above the other, with ribbons from where sectors lie to where they go, and
// both ends of the card enlarged, sector by sector.
//
//	layout.Map, plan.Plan --(picture.go)--> Picture --(scale.go, labels.go)--> places --(svg.go)--> SVG
//
// A picture says nothing of its own: its parts tile both disks, and every number
// in it is one of the map or of the plan. It opens nothing.
package drawing

import (
	"fmt"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// Look is how a run of sectors is shown.
type Look uint8

// The looks. Those of a card are its provenances; where many runs share less room
// than can be drawn, the first in this order stands for all of them.
const (
	MadeNew   Look = iota // hatched
	Copied                // solid
	Zeros                 // empty
	Untouched             // an outline of dashes
	InUse                 // of a drive, solid
	Blank                 // of a drive, empty
	NotLooked             // of a drive: nobody knows what is there
)

// lookWords are the looks as a legend names them.
var lookWords = map[Look]string{
	MadeNew: "made new", Copied: "copied", Zeros: "zeros", Untouched: "not touched",
	InUse: "in use", Blank: "blank", NotLooked: "not looked at",
}

// Run is a run of sectors with one look.
type Run struct {
	disk.Span
	Look Look
}

// Part is a run of sectors with one owner. Its runs tile it.
type Part struct {
	disk.Span
	Name  string // whose sectors they are
	Note  string // what becomes of them; empty on a drive
	Vital bool   // a device may need it to start: it is always wide enough to be seen
	Runs  []Run

	region int       // of the map, or -1
	more   int       // parts that were merged into this one
	from   disk.Span // on a card: the drive sectors from the first to the last that it copies
	to     disk.Span // the card sectors from the first to the last that are copied
	moved  bool      // to another address
}

// Tick is a place on a drive that a person must see, however small it is.
type Tick struct {
	disk.Span
	Missing, Unstable disk.Sector // how many of these sectors
}

// Bar is one disk. Its parts tile it.
type Bar struct {
	Name    string
	Sectors disk.Sector
	Parts   []Part
	Ticks   []Tick
}

// Wall is a sector that some devices or tables do not reach.
type Wall struct {
	First disk.Sector // that is out of reach
	Text  string
}

// Ribbon leads from sectors of the drive to where they lie on the card.
type Ribbon struct {
	From, To disk.Span
	Moved    bool // to another address
	Name     string
}

// Cell is one sector of an enlarged end of the card.
type Cell struct {
	Look Look
	From disk.Sector // of the drive, if it is copied
}

// Strip is an end of the card, sector by sector.
type Strip struct {
	Name  string
	First disk.Sector
	Cells []Cell
}

// Picture is what is drawn.
type Picture struct {
	SectorSize  int
	Drive, Card Bar
	Ribbons     []Ribbon
	Walls       []Wall
	Strips      []Strip
	Pieces      int // of the plan; the parts of the card are made of them
}

// Faults are the sectors of a source that are not as they should be.
type Faults struct{ Missing, Unstable disk.Spans }

const (
	// mostParts keeps a bar readable: by hand, about as many labels as find room.
	mostParts = 16
	// mostRuns bounds what is kept of one part: by hand, twice the pixels of a bar.
	mostRuns = 2048
	// stripCells is how many sectors of either end are shown one by one: those of a
	// track of 63 and one more.
	stripCells = 64
)

// New makes the picture of a drive and of the card planned from it. p may be nil:
// then there is the drive alone.
func New(m *layout.Map, p *plan.Plan, faults Faults) *Picture {
	out := &Picture{SectorSize: m.SectorSize}
	out.Drive = Bar{Name: "drive", Sectors: m.Sectors, Parts: fewer(driveParts(m)), Ticks: ticks(m.Sectors, faults)}
	if p == nil {
		return out
	}
	out.Pieces = len(p.Pieces)
	c := newCardParts(m, p)
	for i := range p.Pieces {
		c.add(p.Pieces[i])
	}
	out.Card = Bar{Name: "card", Sectors: p.Target.Sectors, Parts: fewer(c.finish())}
	out.Ribbons = ribbons(out.Card.Parts)
	for _, f := range p.Findings {
		if text := wallTexts[f.Code]; text != "" && f.Sector > 0 && f.Sector < p.Target.Sectors {
			out.Walls = append(out.Walls, Wall{f.Sector, text})
		}
	}
	out.Strips = strips(p)
	return out
}

// wallTexts name the walls that lie at one sector of a card.
var wallTexts = map[disk.Code]string{
	disk.Wall28Bit:     "28-bit addresses end here",
	disk.Wall31Bit:     "31-bit sector numbers end here",
	disk.WallCylinders: "cylinder 1,024 begins here",
	disk.DeviceSees:    "the device sees no further",
}

// driveParts returns the regions of a drive.
func driveParts(m *layout.Map) (out []Part) {
	for i, r := range m.Regions {
		look := InUse
		switch c := r.Content; {
		case r.Role == layout.RoleVolume || r.Role == layout.RoleTable:
		case !c.Looked || c.Unread == r.Count:
			look = NotLooked
		case c.NonBlank == 0:
			look = Blank
		}
		out = append(out, Part{
			Span: r.Span, Name: r.Name, Vital: isVital(r), Runs: []Run{{r.Span, look}}, region: i,
		})
	}
	return out
}

// isVital tells whether a device may need a region to start: everything in front
// of, between and behind volumes that is in use or that nobody knows.
func isVital(r layout.Region) bool {
	return r.Role != layout.RoleVolume && (r.Role == layout.RoleTable || !r.Content.Looked ||
		r.Content.NonBlank+r.Content.Unread > 0)
}

// ticks gathers faults that lie so close that they cannot be drawn apart.
func ticks(sectors disk.Sector, faults Faults) (out []Tick) {
	const most = 160 // by hand: one every six of the pixels of a bar
	near := max(sectors/most, 1)
	type fault struct {
		disk.Span
		unstable bool
	}
	var all []fault
	for _, s := range faults.Missing {
		all = append(all, fault{s, false})
	}
	for _, s := range faults.Unstable {
		all = append(all, fault{s, true})
	}
	slices.SortFunc(all, func(a, b fault) int { return int(a.Start - b.Start) })
	for _, f := range all {
		if n := len(out); n == 0 || f.Start-out[n-1].Start >= near {
			out = append(out, Tick{Span: disk.Span{Start: f.Start}})
		}
		t := &out[len(out)-1]
		t.Count = max(t.Count, f.End()-t.Start)
		if f.unstable {
			t.Unstable += f.Count
		} else {
			t.Missing += f.Count
		}
	}
	return out
}

// fewer merges neighbours, the smallest first, until a bar can be read. Vital ones
// are merged with vital ones only, as long as that is enough.
func fewer(parts []Part) []Part {
	for len(parts) > mostParts {
		best, least := -1, disk.Sector(0)
		for _, strict := range []bool{true, false} {
			for i := 0; i+1 < len(parts); i++ {
				both := parts[i].Count + parts[i+1].Count
				if (!strict || parts[i].Vital == parts[i+1].Vital && parts[i].moved == parts[i+1].moved) &&
					(best < 0 || both < least) {
					best, least = i, both
				}
			}
			if best >= 0 {
				break
			}
		}
		parts[best] = parts[best].with(parts[best+1])
		parts = slices.Delete(parts, best+1, best+2)
	}
	return parts
}

// with returns one part for two neighbours.
func (p Part) with(next Part) Part {
	p.Count += next.Count
	p.more += 1 + next.more
	p.Note = ""
	p.Vital = p.Vital || next.Vital
	p.Runs = coarse(append(p.Runs, next.Runs...))
	if p.to.Empty() {
		p.from, p.to, p.moved = next.from, next.to, next.moved
	} else if !next.to.Empty() && p.moved == next.moved {
		p.from, p.to = hull(p.from, next.from), hull(p.to, next.to)
	}
	return p
}

// Title names a part, and how many more it stands for.
func (p *Part) Title() string {
	if p.more == 0 {
		return p.Name
	}
	return fmt.Sprintf("%s and %s more", p.Name, disk.Grouped(p.more))
}

// hull returns the span from the first to the last sector of two.
func hull(a, b disk.Span) disk.Span {
	return disk.Between(min(a.Start, b.Start), max(a.End(), b.End()))
}

// coarse merges pairs of runs until there are few enough: the gravest look stands
// for both, so that nothing made new is ever hidden.
func coarse(runs []Run) []Run {
	for len(runs) > mostRuns {
		half := runs[:0]
		for i := 0; i < len(runs); i += 2 {
			r := runs[i]
			if i+1 < len(runs) {
				r.Count += runs[i+1].Count
				r.Look = min(r.Look, runs[i+1].Look)
			}
			half = append(half, r)
		}
		runs = half
	}
	return runs
}

// ribbons returns one for each part of the card that carries something.
func ribbons(parts []Part) (out []Ribbon) {
	for _, p := range parts {
		if !p.to.Empty() {
			out = append(out, Ribbon{From: p.from, To: p.to, Moved: p.moved, Name: p.Name})
		}
	}
	return out
}

// strips returns both ends of a card.
func strips(p *plan.Plan) (out []Strip) {
	n := min(stripCells, p.Target.Sectors)
	out = append(out, strip(p, "the first sectors of the card", disk.Span{Count: n}))
	if p.Target.Sectors > n {
		out = append(out, strip(p, "its last sectors", disk.Between(max(n, p.Target.Sectors-stripCells), p.Target.Sectors)))
	}
	return out
}

func strip(p *plan.Plan, name string, s disk.Span) Strip {
	out := Strip{Name: name, First: s.Start}
	for x := s.Start; x < s.End(); x++ {
		q := p.Lookup(x)
		c := Cell{Look: opLook[q.Op]}
		if q.Op == layout.Copy {
			c.From = q.From + x - q.Start
		}
		out.Cells = append(out.Cells, c)
	}
	return out
}

// opLook is how each provenance looks.
var opLook = map[layout.Op]Look{layout.Copy: Copied, layout.Render: MadeNew, layout.Zero: Zeros,
	layout.Leave: Untouched}

// Renamed returns the picture with every name in it changed by f.
func (p *Picture) Renamed(f func(string) string) *Picture {
	out := *p
	parts := func(in []Part) []Part {
		in = slices.Clone(in)
		for i := range in {
			in[i].Name = f(in[i].Name)
		}
		return in
	}
	out.Drive.Parts, out.Card.Parts = parts(p.Drive.Parts), parts(p.Card.Parts)
	out.Ribbons = slices.Clone(p.Ribbons)
	for i := range out.Ribbons {
		out.Ribbons[i].Name = f(out.Ribbons[i].Name)
	}
	return &out
}
