package scan

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/gpt"
)

// usable tells whether a table may be in force: whole, and with something to say.
func usable(t *layout.Parsed) bool {
	return t != nil && t.State != layout.Damaged && len(t.Entries) > 0
}

func byKind(tables []layout.Parsed, kind string) *layout.Parsed {
	for i := range tables {
		if tables[i].Kind == kind {
			return &tables[i]
		}
	}
	return nil
}

// namesGPT tells whether sector 0 has a record of type EE.
func (s *surveyor) namesGPT() bool {
	return s.mbr != nil && (s.mbr.Protective() || s.mbr.Hybrid())
}

// startsInSector0 tells whether volumes of this kind fill sector 0 with their
// own boot sector, where an MBR would be.
func startsInSector0(kind string) bool {
	switch kind {
	case "fat12", "fat16", "fat32", "exfat", "ntfs":
		return true
	}
	return false
}

// withoutBootCode removes an MBR that is the boot sector of a bare volume: 55
// AA stands in both, and records that are empty, break the rules or run past
// the disk are boot code read as a table. A record that covers sector 0 means the
// volume itself: mkfs.fat --mbr and mformat write one, for machines that want a table.
func (s *surveyor) withoutBootCode(tables []layout.Parsed, bare *layout.Volume) []layout.Parsed {
	m := byKind(tables, "mbr")
	if m == nil || bare == nil || bare.Start != 0 || !startsInSector0(bare.Kind) {
		return tables
	}
	besides := slices.ContainsFunc(m.Entries, func(e layout.Entry) bool { return !e.Holds(0) })
	if usable(m) && besides && (!s.namesGPT() || s.gpt != nil) && !s.mbr.Misplaced {
		return tables
	}
	if len(m.Entries) > 0 {
		why := "that cannot be"
		if !besides {
			why = "that would cover sector 0 itself"
		}
		s.note(disk.Notef(disk.BootCodeNotMBR, 0,
			"sector 0 is the boot sector of a %s volume; its bytes 446 to 509, read as a partition table, "+
				"would list %s %s, and are taken for boot code",
			bare.Kind, entriesText(len(m.Entries)), why))
	}
	s.mbr = nil
	return slices.DeleteFunc(tables, func(t layout.Parsed) bool { return t.Kind == "mbr" })
}

// decide sets the state of every table and returns the kind in force. bare is
// a volume that begins at sector 0 and needs no table, or nil.
//
// The rules: an MBR with an EE record hands over to GPT (UEFI 5.2.3), one
// without it is in force whatever GPT headers lie about; headers that no EE
// record names are in force only if nothing else is there; whatever
// contradicts is a conflict that a person must settle.
func (s *surveyor) decide(tables []layout.Parsed, bare *layout.Volume) string {
	m, g := byKind(tables, "mbr"), byKind(tables, "gpt")
	var able []*layout.Parsed
	for i := range tables {
		t := &tables[i]
		switch {
		case t == m && s.namesGPT() && (s.mbr.Protective() || hybridAgrees(m, g)):
		case t == g && !s.gptMayRule(m, bare):
		case t.Kind == "gpt" && t.State != layout.Damaged, usable(t):
			able = append(able, t)
		}
	}
	for i := range tables {
		if tables[i].State != layout.Damaged {
			tables[i].State = layout.Stale
		}
	}
	kind := s.force(able, bare)
	if m != nil && s.namesGPT() && (kind == "gpt" || kind == "none") {
		m.State = layout.Damaged
		if g != nil {
			m.State = g.State
		}
		if kind == "none" {
			kind = "gpt"
			s.note(disk.Warningf(disk.GPTDamaged, 1,
				"sector 0 names a GUID partition table, but neither of its copies can be read; "+
					"nobody knows what the sectors after it are for"))
			if size := gpt.OtherSectorSize(s.src); size > 0 {
				s.note(disk.Warningf(disk.OtherSectorSize, 0,
					"the header of a GUID partition table lies at byte %d, in sector 1 of a disk with sectors of so many "+
						"bytes, but the disk is read with %d; read it again with that sector size",
					size, s.src.SectorSize()))
			}
		}
	}
	s.noteStale(tables, kind)
	return kind
}

// hybridAgrees tells whether every entry that an MBR has beside its EE record
// is an entry of the GPT too.
func hybridAgrees(m, g *layout.Parsed) bool {
	if g == nil || g.State == layout.Damaged {
		return false
	}
	for _, e := range m.Entries {
		if e.HoldsVolume() && !slices.ContainsFunc(g.Entries, func(o layout.Entry) bool { return o.Span == e.Span }) {
			return false
		}
	}
	return true
}

// gptMayRule tells whether GPT headers can be in force: not beside an MBR that
// lists entries of its own without naming them, and not beside a bare volume
// whose sector 0 does not name them. A first copy that is whole contradicts a
// volume that leaves sector 0 to others.
func (s *surveyor) gptMayRule(m *layout.Parsed, bare *layout.Volume) bool {
	switch {
	case s.namesGPT():
		return true
	case usable(m):
		return false
	}
	return bare == nil || !startsInSector0(bare.Kind) && s.gpt != nil && s.gpt.Primary.Valid()
}

// force picks the table in force among those that may be.
func (s *surveyor) force(able []*layout.Parsed, bare *layout.Volume) string {
	contradicted := len(able) == 1 && bare != nil &&
		(startsInSector0(bare.Kind) || able[0].Kind == "gpt" && !s.namesGPT())
	switch {
	case len(able) == 0:
		return "none"
	case len(able) == 1 && !contradicted:
		able[0].State = layout.InForce
		return able[0].Kind
	}
	for _, t := range able {
		t.State = layout.Disputed
	}
	who := able[0].Kind
	for _, t := range able[1:] {
		who += " and " + t.Kind
	}
	if contradicted {
		who += " and a bare " + bare.Kind + " volume"
	}
	s.note(disk.Warningf(disk.TablesConflict, 0,
		"%s both claim this disk, and none of them wins in silence. What they agree on is listed as such, "+
			"the rest is disputed",
		who))
	return "conflict"
}

// The codes of tables that are not in force, by their kind. Tables of other kinds
// are in force, disputed or damaged: nothing puts them aside.
var (
	staleCodes   = map[string]disk.Code{"mbr": disk.StaleMBR, "gpt": disk.StaleGPT}
	damagedCodes = map[string]disk.Code{
		"mbr": disk.DamagedMBR, "gpt": disk.DamagedGPT, "apple": disk.DamagedApple, "bsd": disk.DamagedBSD,
		"sun": disk.DamagedSun, "amiga": disk.DamagedAmiga, "atari": disk.DamagedAtari,
	}
)

// noteStale reports every table that is not in force.
func (s *surveyor) noteStale(tables []layout.Parsed, kind string) {
	for _, t := range tables {
		at := disk.NoSector
		if len(t.Own) > 0 {
			at = t.Own[0].Start
		}
		switch {
		case t.State == layout.Stale && len(t.Entries) > 0 || t.State == layout.Stale && t.Kind == "gpt":
			s.note(disk.Warningf(staleCodes[t.Kind], at,
				"a %s table with %s lies on this disk, but is not in force (%s is): the rest of an earlier use. "+
					"Nothing in it is interpreted",
				t.Kind, entriesText(len(t.Entries)), kind))
		case t.State == layout.Damaged && t.Kind != "mbr" || t.State == layout.Damaged && kind == "none":
			s.note(disk.Warningf(damagedCodes[t.Kind], at, "something that claims to be a %s table breaks its own rules: %s",
				t.Kind, t.Evidence[0]))
		}
	}
}

// entriesText counts the entries of a table.
func entriesText(n int) string {
	if n == 1 {
		return "1 entry"
	}
	return disk.Grouped(n) + " entries"
}
