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

// rendering is the work of making tables.
type rendering struct {
	*placement
	said
	patches patches
}

// put notes a rendered sector, unless the source has the same bytes there: what
// need not change is copied.
func (p *rendering) put(at disk.Sector, data []byte, why layout.Reason, rank layout.Rank) error {
	if at == 0 {
		rank = layout.RankSector0
	}
	if at < p.s.Sectors && rank != layout.RankCopy {
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
func (p *placement) renderTables() (patches, said, error) {
	r := &rendering{placement: p, patches: patches{}}
	r.noteLengths()
	err := r.tables()
	return r.patches, r.said, err
}

// noteLengths tells which entries get another length.
func (p *rendering) noteLengths() {
	for _, e := range p.s.Entries {
		n, ok := p.lengths[e.Index]
		switch {
		case !ok:
		case n.cut:
			p.note(disk.Warningf(disk.EntryShortened, e.Start,
				"entry %d becomes %s instead of %s: what follows is blank and not used by its volume",
				e.Index, sectors(n.Sector), sectors(e.Count)))
		default:
			p.note(disk.Warningf(disk.EntryResized, e.Start,
				"entry %d becomes %s instead of %s, as long as what is in it", e.Index, sectors(n.Sector), sectors(e.Count)))
		}
		if ok && p.offCylinder(e, n.Sector) {
			p.note(disk.Warningf(disk.EntryOffCylinder, e.Start,
				"entry %d ended on a cylinder, and ends within one now, at sector %s: a machine that takes its heads from the "+
					"table "+
					"counts otherwise then, and a loader that counts in cylinders finds nothing. Loaders that use sector numbers "+
					"do not mind",
				e.Index, grouped(int64(e.Start+n.Sector))))
		}
	}
}

// tables makes that in force.
func (p *rendering) tables() error {
	switch {
	case p.gptInForce():
		return p.renderGPT()
	case p.s.Table == "mbr":
		return p.renderMBR()
	case p.w.NewIDs != nil:
		p.note(disk.Warningf(disk.NoIdentifiers, disk.NoSector,
			"--new-ids was given, but there is no table whose identifiers this program can draw anew"))
	}
	return nil
}

func (p *rendering) renderGPT() error {
	anew := p.resizing() || len(p.lengths) > 0 || p.w.NewIDs != nil && p.w.NewIDs.GPT != nil
	if !anew && !p.tableMissing() {
		return nil
	}
	changes := map[int]disk.Span{}
	for _, e := range p.s.Entries {
		if n, ok := p.lengths[e.Index]; ok {
			changes[e.Index] = disk.Span{Start: e.Start, Count: n.Sector}
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
	primary, backup := inSectors(r.Primary), inSectors(r.Backup)
	if !anew {
		return errors.Join(p.mendGPT(primary, layout.RankFirst), p.mendGPT(backup, layout.RankCopy))
	}
	if r.Protective != nil {
		primary[0] = r.Protective
	}
	return errors.Join(p.putAll(primary, why, layout.RankFirst),
		p.putAll(backup, layout.WhyTableCopy, layout.RankCopy))
}

// inSectors returns the sectors of some blocks by their address.
func inSectors(blocks []gpt.Block) map[disk.Sector][]byte {
	r := gpt.Rendered{Primary: blocks}
	return r.Sectors()
}

func (p *rendering) putAll(made map[disk.Sector][]byte, why layout.Reason, rank layout.Rank) error {
	for at, data := range made {
		if err := p.put(at, data, why, rank); err != nil {
			return err
		}
	}
	return nil
}

func (p *rendering) renderMBR() error {
	lengths := map[int]disk.Sector{}
	for index, n := range p.lengths {
		lengths[index] = n.Sector
	}
	changed, findings, err := p.open.mbr.Resize(lengths)
	if err != nil {
		return fmt.Errorf("changing the MBR: %w", err)
	}
	for _, f := range findings {
		p.note(f)
	}
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
	return p.putAll(changed, why, layout.RankFirst)
}

// setHeads counts the tuples of every record in the geometry that was asked
// for.
func (p *rendering) setHeads(changed map[disk.Sector][]byte) error {
	g := p.w.Volumes.Heads
	if g == nil {
		return nil
	}
	p.note(disk.Warningf(disk.TableGeometryChanged, 0,
		"the tuples of the table are counted with %d heads and %d sectors, as asked: boot code that uses them starts only "+
			"where the machine counts alike", g.Heads, g.SectorsPerTrack))
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
func (p *given) setTuples(s *mbr.Sector, at disk.Sector, g mbr.Geometry) {
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
func (p *given) container(at disk.Sector) disk.Sector {
	for _, e := range p.s.Entries {
		if e.Extended && e.Index < 5 && e.Holds(at) {
			return e.Start
		}
	}
	return at
}

// tableMissing tells whether a copy of the GUID partition table has sectors
// that the source does not know.
func (p *given) tableMissing() bool {
	for _, s := range slices.Concat(p.open.gpt.PrimaryPlace(), p.open.gpt.ShownBackup()) {
		if len(image.Unknown(p.src, s)) > 0 {
			return true
		}
	}
	return false
}

// mendGPT takes the missing sectors of one copy from the other, unless what is
// known of it shows that the two were not alike.
func (p *rendering) mendGPT(copy map[disk.Sector][]byte, rank layout.Rank) error {
	missing := map[disk.Sector][]byte{}
	for _, at := range slices.Sorted(maps.Keys(copy)) {
		have, err := image.ReadSector(p.src, at)
		var unknown *image.UnknownError
		switch {
		case errors.As(err, &unknown):
			missing[at] = copy[at]
		case err != nil:
			return err
		case !bytes.Equal(have, copy[at]):
			return nil
		}
	}
	if err := p.putAll(missing, layout.WhyOtherCopy, rank); err != nil {
		return err
	}
	if at := slices.Sorted(maps.Keys(missing)); len(at) > 0 {
		p.note(disk.Warningf(disk.TwinUsed, at[0],
			"%s of the GUID partition table that the source does not know (the first is sector %s) %s made from its other "+
				"copy", sectors(disk.Sector(len(at))), grouped(int64(at[0])), disk.IsAre(disk.Sector(len(at)))))
	}
	return nil
}
