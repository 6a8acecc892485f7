package fit

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
)

// patch is one card sector made new.
type patch struct {
	data []byte
	why  layout.Reason
	rank layout.Rank
}

// patches are the rendered sectors of a card, by card sector.
type patches map[disk.Sector]patch

func (p patches) sorted() []disk.Sector { return slices.Sorted(maps.Keys(p)) }

// put notes a rendered sector, unless the source has the same bytes there: what
// need not change is copied.
func (p *planner) put(at disk.Sector, data []byte, why layout.Reason, rank layout.Rank) error {
	if at == 0 {
		rank = layout.RankSector0
	}
	if at < p.s.Sectors && rank != layout.RankSecond {
		old, err := image.ReadSector(p.src, at)
		var unknown *image.UnknownError
		if err != nil && !errors.As(err, &unknown) {
			return err
		}
		if err == nil && bytes.Equal(old, data) {
			return nil
		}
	}
	p.patches[at] = patch{data, why, rank}
	return nil
}

// renderTables makes the tables new that name the size of the disk, the
// length of an entry that became shorter, or identifiers drawn anew.
func (p *planner) renderTables() error {
	for _, e := range p.s.Entries {
		n, ok := p.resized[e.Index]
		switch {
		case !ok:
		case p.sized[e.Index] != nil || n > e.Count:
			p.note(disk.Warningf(disk.EntryResized, e.Start, "entry %d becomes %s instead of %s, as long as what is in it", e.Index, sectors(n), sectors(e.Count)))
		default:
			p.note(disk.Warningf(disk.EntryShortened, e.Start, "entry %d becomes %s instead of %s: what follows is blank and not used by its volume", e.Index, sectors(n), sectors(e.Count)))
		}
	}
	switch {
	case p.gptInForce():
		return p.renderGPT()
	case p.s.Table == "mbr":
		return p.renderMBR()
	case p.w.NewIDs != nil:
		p.note(disk.Warningf(disk.NoIdentifiers, disk.NoSector, "--new-ids was given, but there is no table whose identifiers this program can draw anew"))
	}
	return nil
}

func (p *planner) renderGPT() error {
	anew := p.resizing() || len(p.resized) > 0 || p.w.NewIDs != nil && p.w.NewIDs.GPT != nil
	if !anew && !p.tableMissing() {
		return nil
	}
	changes := map[int]disk.Span{}
	for _, e := range p.s.Entries {
		if n, ok := p.resized[e.Index]; ok {
			changes[e.Index] = disk.Span{Start: e.Start, Count: n}
		}
	}
	why := layout.WhyTable
	var ids *gpt.NewIDs
	if p.w.NewIDs != nil && p.w.NewIDs.GPT != nil {
		ids, why = p.w.NewIDs.GPT, layout.WhyNewIDs
	}
	r, err := p.open.gpt.Render(p.w.Target.Sectors, ids, changes)
	if err != nil {
		return fmt.Errorf("making the GUID partition table for %s: %w", sectors(p.w.Target.Sectors), err)
	}
	first, second := inSectors(r.First), inSectors(r.Second)
	if !anew {
		return errors.Join(p.mendGPT(first, layout.RankFirst), p.mendGPT(second, layout.RankSecond))
	}
	if r.Protective != nil {
		first[0] = r.Protective
	}
	return errors.Join(p.putAll(first, why, layout.RankFirst), p.putAll(second, layout.WhyTableSecond, layout.RankSecond))
}

// inSectors returns the sectors of some blocks by their address.
func inSectors(blocks []gpt.Block) map[disk.Sector][]byte {
	r := gpt.Rendered{First: blocks}
	return r.Sectors()
}

func (p *planner) putAll(made map[disk.Sector][]byte, why layout.Reason, rank layout.Rank) error {
	for at, data := range made {
		if err := p.put(at, data, why, rank); err != nil {
			return err
		}
	}
	return nil
}

func (p *planner) renderMBR() error {
	changed, findings, err := p.open.mbr.Resize(p.resized)
	if err != nil {
		return fmt.Errorf("changing the MBR: %w", err)
	}
	p.findings = append(p.findings, findings...)
	if err := p.setHeads(changed); err != nil {
		return err
	}
	why := layout.WhyTable
	if p.w.NewIDs != nil {
		sector0 := p.open.mbr.Boot
		if c, ok := changed[0]; ok {
			if sector0, err = mbr.Parse(c); err != nil {
				return fmt.Errorf("reading back the changed MBR: %w", err)
			}
		}
		sector0 = sector0.Clone()
		sector0.SetDiskID(p.w.NewIDs.DiskID)
		changed[0] = sector0.Bytes()
		why = layout.WhyNewIDs
	}
	for at, data := range changed {
		if err := p.put(at, data, why, layout.RankFirst); err != nil {
			return err
		}
	}
	return nil
}

// setHeads counts the tuples of every record in the geometry that was asked
// for.
func (p *planner) setHeads(changed map[disk.Sector][]byte) error {
	g := p.w.Volumes.Heads
	if g == nil {
		return nil
	}
	p.note(disk.Warningf(disk.TableGeometryChanged, 0, "the tuples of the table are counted with %d heads and %d sectors, as asked: boot code that uses them starts only where the machine counts alike", g.Heads, g.SectorsPerTrack))
	for _, own := range p.open.mbr.Own() {
		for at := own.Start; at < own.End(); at++ {
			b := changed[at]
			if b == nil {
				var err error
				if b, err = image.ReadSector(p.src, at); err != nil {
					return fmt.Errorf("reading the boot record in sector %d: %w", at, err)
				}
			}
			s, err := mbr.Parse(b)
			if err != nil {
				return fmt.Errorf("the boot record in sector %d: %w", at, err)
			}
			p.setTuples(s, at, *g)
			changed[at] = s.Bytes()
		}
	}
	return nil
}

// setTuples rewrites the tuples of one boot record. The first record of an
// extended one counts from its own sector, the others from the container.
func (p *planner) setTuples(s *mbr.Sector, at disk.Sector, g mbr.Geometry) {
	for i := range mbr.Records {
		r := s.Record(i)
		if !r.Used() {
			continue
		}
		base := at
		if at > 0 && i > 0 {
			base = p.container(at)
		}
		start := base + disk.Sector(r.Start)
		s.SetStartCHS(i, mbr.FromLBA(start, g))
		s.SetEndCHS(i, mbr.EndCHS(start, disk.Sector(r.Count), g))
	}
}

// container returns where the extended entry begins that holds a sector.
func (p *planner) container(at disk.Sector) disk.Sector {
	for _, e := range p.s.Entries {
		if e.Extended && e.Index < 5 && e.Holds(at) {
			return e.Start
		}
	}
	return at
}
