package scan

import (
	"fmt"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// regions settles what everybody claims, looks into what lies outside the
// volumes, and finds the tail.
func (s *surveyor) regions(tables []layout.Parsed) error {
	regions := settle(s.out.Sectors, s.claims(tables))
	s.out.Findings = append(s.out.Findings, conflicts(regions)...)
	if s.nobodyKnows() {
		return s.withoutTable(regions)
	}
	first, last := s.entryBounds(regions)
	end := lastGap(regions)
	for i, r := range regions {
		if i == end && r.Start >= last {
			if err := s.afterEntries(r); err != nil {
				return err
			}
			continue
		}
		if r.Role == layout.RoleGap {
			r.Name = gapName(r, first, last)
			r.Evidence = []string{"no entry covers it"}
		}
		if err := s.keep(r); err != nil {
			return err
		}
	}
	return nil
}

// nobodyKnows tells whether neither a table nor a volume says what the disk
// is for.
func (s *surveyor) nobodyKnows() bool {
	return len(s.out.Volumes) == 0 && (s.out.Table == "none" || s.out.Table == "gpt" && s.gpt == nil)
}

// lastGap returns the index of the last gap, or -1: only what no entry and no
// copy of a table follows, but for those at the very end, can be the tail.
func lastGap(regions []layout.Region) int {
	for i, r := range slices.Backward(regions) {
		if r.Role == layout.RoleGap {
			return i
		}
	}
	return -1
}

// claims collects what tables and volumes say is theirs.
func (s *surveyor) claims(tables []layout.Parsed) []claim {
	var out []claim
	for i := range tables {
		out = append(out, s.tableClaims(&tables[i])...)
	}
	for _, v := range s.out.Volumes {
		if v.Index == 0 {
			out = append(out, claim{
				v.Span, "bare", layout.RoleVolume, layout.FromStart, volumeName(&v, ""),
				"a " + v.Kind + " volume begins at sector 0 and states this size",
			})
		}
	}
	return out
}

func (s *surveyor) tableClaims(t *layout.Parsed) []claim {
	var out []claim
	if t.Kind == "mbr" && s.out.Table == "gpt" {
		why := "its EE record hands over to the GUID partition table"
		return []claim{{disk.Span{Count: 1}, "gpt", layout.RoleTable, layout.FromStart, "protective MBR", why}}
	}
	name := t.Kind + " table"
	own := func(spans disk.Spans, role layout.Role, anchor layout.Anchor, name, why string) {
		for _, o := range spans {
			out = append(out, claim{o, t.Kind, role, anchor, name, why})
		}
	}
	switch t.State {
	case layout.InForce, layout.Disputed:
		rest := t.Own
		if t.Kind == "gpt" {
			own(s.gpt.ShownBackup(), layout.RoleTable, layout.FromEnd, "gpt table, second copy",
				"second copy of the GUID partition table")
			rest = s.gpt.PrimaryPlace()
		}
		own(rest, layout.RoleTable, layout.FromStart, name, "sectors of the "+t.Kind+" table")
	case layout.Stale, layout.Damaged:
		if t.Kind == "mbr" && len(t.Entries) == 0 && t.State == layout.Stale {
			if s.nobodyKnows() {
				own(disk.Spans{{Count: 1}}, layout.RoleBootCode, layout.FromStart, "boot code",
					"ends in 55 AA, but its four table entries are empty")
			}
			return out
		}
		own(t.Own, layout.RoleDisputed, layout.FromStart, fmt.Sprintf("%s %s table", t.State, t.Kind), fmt.Sprintf(
			"a %s table that is not in force says that it owns them",
			t.Kind))
		return out
	}
	for _, e := range t.Entries {
		if e.HoldsVolume() {
			v := s.out.Volume(e.Index)
			out = append(out, claim{
				e.Span, t.Kind, layout.RoleVolume, layout.Movable, entryName(e, v),
				fmt.Sprintf("entry %d of the %s table, type %s", e.Index, t.Kind, e.Type),
			})
		}
	}
	return out
}

func entryName(e layout.Entry, v *layout.Volume) string {
	name := fmt.Sprintf("entry %d", e.Index)
	if v != nil {
		return volumeName(v, name+": ")
	}
	if e.TypeName != "" {
		return name + ": " + e.TypeName
	}
	return name + ": type " + e.Type
}

func volumeName(v *layout.Volume, prefix string) string {
	if v.Label == "" {
		return prefix + v.Kind
	}
	return fmt.Sprintf("%s%s %q", prefix, v.Kind, v.Label)
}

// entryBounds returns where the first volume begins and where the last thing
// that a table places from the start ends.
func (s *surveyor) entryBounds(regions []layout.Region) (first, last disk.Sector) {
	first = s.out.Sectors
	for _, r := range regions {
		if r.Role == layout.RoleVolume || r.Role == layout.RoleTable && r.Anchor != layout.FromEnd {
			last = max(last, r.End())
		}
		if r.Role == layout.RoleVolume {
			first = min(first, r.Start)
		}
	}
	return first, last
}

// keep adds a region to the map, after looking into it unless a volume owns
// it: what is inside a volume is for whoever reads the volume. Of what is
// disputed only as much is read as tables are long.
func (s *surveyor) keep(r layout.Region) error {
	if r.Role == layout.RoleVolume || r.Role == layout.RoleDisputed && r.Count > hashLimit {
		s.moved(r.Count)
		s.out.Regions = append(s.out.Regions, r)
		return nil
	}
	c, err := s.observe(r.Span)
	if err != nil {
		return err
	}
	r.Content = c
	s.out.Regions = append(s.out.Regions, r)
	return nil
}

// afterEntries divides what follows the last entry: blank up to the first
// sector in use, and from there on the tail, which moves as one block.
func (s *surveyor) afterEntries(r layout.Region) error {
	c, err := s.observe(r.Span)
	if err != nil {
		return err
	}
	if c.NonBlank == 0 {
		r.Name, r.Evidence, r.Content = "after the last entry", []string{"no entry covers it"}, c
		s.out.Regions = append(s.out.Regions, r)
		return nil
	}
	if gap := disk.Between(r.Start, c.First); !gap.Empty() {
		g := layout.Region{Span: gap, Role: layout.RoleGap, Anchor: layout.FromStart, Name: "after the last entry",
			Evidence: []string{"no entry covers it"}}
		if err := s.keep(g); err != nil {
			return err
		}
	}
	tail := layout.Region{
		Span: disk.Between(c.First, r.End()), Role: layout.RoleTail, Anchor: layout.FromEnd, Name: "tail",
		Evidence: []string{fmt.Sprintf(
			"first sector in use after the last entry is %d; firmware that keeps something here counts it from the "+
				"end of the disk",
			c.First)},
	}
	if tail.Count <= hashLimit {
		return s.keep(tail)
	}
	tail.Content = c
	s.out.Regions = append(s.out.Regions, tail)
	return nil
}
