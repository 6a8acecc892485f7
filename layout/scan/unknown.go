package scan

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Without a table the tail is the last run of sectors in use, if it is no
// longer than TailLimit and at least tailGap of blank lies before it. Both
// are in bytes, and chosen by hand, no source: what is wrong about them is told
// with the finding tail-undecided, and asked of the owner.
const (
	TailLimit = 64 << 20
	tailGap   = 64 << 10
)

// runs finds the runs of sectors in use that long blanks divide: where the
// first one ends and where the last one begins, with the content before,
// between and after.
type runs struct {
	gap   disk.Sector // how many blank sectors divide two runs
	blank disk.Sector // blank sectors since the last one in use

	headEnd  disk.Sector    // end of the first run, if a long blank follows it
	lastRun  disk.Sector    // start of the last run that a long blank precedes
	count    layout.Content // of everything so far
	atHead   layout.Content // of the first run
	atLast   layout.Content // of everything before the last run
	restFrom disk.Sector    // first sector in use after the first run

	now, inHead, inRest, restAtLast fills // of the present blank, of each part
}

// fills tells which bytes fill the blank sectors of a part.
type fills uint8

const (
	fills00 fills = 1 << iota
	fillsFF
)

func fillsOf(b byte) fills {
	if b == 0xFF {
		return fillsFF
	}
	return fills00
}

// put says in c by what its blank sectors are filled.
func (f fills) put(c *layout.Content) {
	c.Looked, c.Fill = true, 0
	if f == fillsFF {
		c.Fill = 0xFF
	}
	c.Blank = c.NonBlank == 0 && c.Unread == 0 && f != fills00|fillsFF
}

func (r *runs) hole(s disk.Span) { r.skip(s.Start, s.Count, 0) }

func (r *runs) skip(at, n disk.Sector, fill byte) {
	r.now |= fillsOf(fill)
	if r.headEnd > 0 {
		r.inRest |= r.now
	}
	if r.blank < r.gap && r.blank+n >= r.gap && r.headEnd == 0 && r.seen() {
		r.headEnd, r.atHead, r.inRest = at-r.blank, r.count, r.now
	}
	r.blank += n
}

func (r *runs) sector(x disk.Sector, b []byte) {
	if fill, blank := image.Blank(b); blank {
		r.skip(x, 1, fill)
		return
	}
	r.use(x)
	r.count.NonBlank++
}

// unknown sectors divide nothing: they may hold anything.
func (r *runs) unknown(s disk.Span) {
	r.use(s.Start)
	r.count.Last = s.Last()
	r.count.Unread += s.Count
}

// seen tells whether any sector so far is in use.
func (r *runs) seen() bool { return r.count.NonBlank > 0 || r.count.Unread > 0 }

func (r *runs) use(x disk.Sector) {
	if r.blank >= r.gap {
		r.lastRun, r.atLast, r.restAtLast = x, r.count, r.inRest
		if r.headEnd > 0 && r.restFrom == 0 {
			r.restFrom = x
		}
	}
	if !r.seen() {
		r.count.First = x
	}
	if r.headEnd == 0 {
		r.inHead |= r.now
	}
	r.count.Last, r.blank, r.now = x, 0, 0
}

// withoutTable describes a disk on which no table is in force and no volume
// was found: a head, a tail if there is one, and what is between.
func (s *surveyor) withoutTable(regions []layout.Region) error {
	n := int64(s.src.SectorSize())
	for i, r := range regions {
		if r.Role != layout.RoleGap {
			if err := s.keep(r); err != nil {
				return err
			}
			continue
		}
		seen := &runs{gap: disk.Sector(tailGap / n)}
		volumes := &begins{runs: seen}
		if err := pass(s.ctx, s.src, r.Span, volumes, s.moved); err != nil {
			return err
		}
		if err := s.unlisted(volumes.at); err != nil {
			return err
		}
		if err := s.divide(r, seen, i == len(regions)-1); err != nil {
			return err
		}
	}
	return nil
}

// divide cuts one stretch that nobody claims at its first and last run.
func (s *surveyor) divide(r layout.Region, seen *runs, atEnd bool) error {
	behind, inside := s.behindUnlisted(seen.lastRun)
	tailAt := s.tailStart(r, seen, atEnd, behind, inside)
	why := fmt.Sprintf("the last run of sectors in use, after at least %d KiB of blank", tailGap>>10)
	if inside {
		why = "all that lies behind a volume that no table names"
	}
	headEnd := r.End()
	if seen.headEnd > r.Start && seen.headEnd < tailAt {
		headEnd = seen.headEnd
	}
	parts := []layout.Region{
		{Span: disk.Between(r.Start, min(headEnd, tailAt)), Role: layout.RoleUnknown, Anchor: layout.FromStart,
			Name: "head", Evidence: []string{"the first run of sectors in use"}},
		{Span: disk.Between(headEnd, tailAt), Role: layout.RoleUnknown, Anchor: layout.FromStart,
			Name: "rest", Evidence: []string{"nobody claims it"}},
		{Span: disk.Between(tailAt, r.End()), Role: layout.RoleTail, Anchor: layout.FromEnd, Name: "tail",
			Evidence: []string{why}},
	}
	for _, p := range parts {
		if p.Empty() {
			continue
		}
		// What was counted while the runs were found is divided where a run begins.
		if p.Count <= hashLimit || inside && tailAt == behind {
			if err := s.keep(p); err != nil {
				return err
			}
			continue
		}
		p.Content = seen.between(p, headEnd, tailAt)
		s.out.Regions = append(s.out.Regions, p)
	}
	return nil
}

// tailStart returns where the tail of a region begins that nobody knows: its end, where it has none.
// behind is the end of a volume that no table names, if inside says that the last run lies in one.
func (s *surveyor) tailStart(r layout.Region, seen *runs, atEnd bool, behind disk.Sector, inside bool) disk.Sector {
	n := int64(s.src.SectorSize())
	switch {
	case !atEnd, !seen.seen():
	case inside && seen.count.Last < behind: // nothing lies behind the volume
	case inside && int64(r.End()-behind)*n <= TailLimit:
		return behind
	case seen.lastRun > 0 && int64(r.End()-seen.lastRun)*n <= TailLimit:
		return seen.lastRun
	case seen.count.Last < r.End()-disk.Sector(TailLimit/n):
		s.note(disk.Notef(disk.NoTail, disk.NoSector, "the last %d MiB of the disk are blank: there is no tail",
			TailLimit>>20))
	default:
		s.out.TailUndecided = true
		s.note(disk.Warningf(disk.TailUndecided, seen.lastRun,
			"the disk has no table, and no run of at most %d MiB after at least %d KiB of blank ends it: "+
				"whether its last sectors are a tail or a recording cannot be told. On another size they stay at "+
				"their old address; --tail end or both says that they count from the end",
			TailLimit>>20, tailGap>>10))
	}
	return r.End()
}

// between returns the content of a part too long to be read twice.
func (r *runs) between(p layout.Region, headEnd, tailAt disk.Sector) layout.Content {
	c, rest := r.count, r.inRest
	if tailAt > 0 && tailAt == r.lastRun {
		c, rest = r.atLast, r.restAtLast
	}
	switch {
	case headEnd != r.headEnd:
		rest |= r.inHead | r.now
	case p.Start < headEnd:
		c, rest = r.atHead, r.inHead
	default:
		c.NonBlank -= r.atHead.NonBlank
		c.Unread -= r.atHead.Unread
		c.First = r.restFrom
	}
	rest.put(&c)
	return c
}
