package fit

import (
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
)

// bootCode returns the code before a volume, in which a loader may keep
// addresses: at most 1 MiB, in runs, without what is not known and without the
// bytes of tables. A number in a table is no address of a file, though the
// length of an entry may well equal one.
func (p *planner) bootCode(before disk.Sector) ([][]byte, error) {
	head := disk.Span{Count: min(before, disk.Sector(plan.Edge/p.s.SectorSize))}
	chain, tables := p.tableSectors()
	var out [][]byte
	for _, known := range image.Unknown(p.src, head).Outside(head) {
		b, err := image.ReadSectors(p.src, known)
		if err != nil {
			return nil, err
		}
		sectors := func(s disk.Span) []byte {
			return b[int64(s.Start-known.Start)*int64(p.s.SectorSize):][:int64(s.Count)*int64(p.s.SectorSize)]
		}
		for _, s := range chain.Within(known) {
			for x := s.Start; x < s.End(); x++ {
				out = append(out, sectors(disk.Span{Start: x, Count: 1})[:chainCode(x)])
			}
		}
		for _, s := range chain.Union(tables).Outside(known) {
			out = append(out, sectors(s))
		}
	}
	return out, nil
}

// chainCode returns how many bytes of a record of an MBR are code: those before
// the disk identifier of sector 0 (UEFI Specification 2.10, table 5.1), and
// before the entries of a record of a chain (common practice, no source).
func chainCode(x disk.Sector) int {
	if x == 0 {
		return 440
	}
	return 446
}

// tableSectors returns the sectors before any volume that hold a table: the
// records of an MBR, which have code in front, sector 0 always among them, and
// all others.
func (p *planner) tableSectors() (chain, others disk.Spans) {
	chain = disk.NewSpans(disk.Span{Count: 1})
	for _, t := range p.s.Tables {
		if t.Kind == "mbr" {
			chain = chain.Union(t.Own)
		} else {
			others = others.Union(t.Own)
		}
	}
	var rest []disk.Span
	for _, s := range others {
		rest = append(rest, chain.Outside(s)...)
	}
	return chain, disk.NewSpans(rest...)
}
