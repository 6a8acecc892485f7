package gpt

import (
	"bytes"
	"math"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/mbr"
)

func (t *Table) found(f disk.Finding) { t.Findings = append(t.Findings, f) }

// checkMBR judges the protective boot record (EFI Specification 1.02, table
// 16-6). A wrong size is a warning only, as in Linux, block/partitions/efi.c.
func (t *Table) checkMBR(err error) {
	if t.MBR == nil {
		t.found(disk.Warningf(disk.ProtectiveMBRMissing, 0,
			"sector 0 holds no protective boot record (%v): other systems take the disk for empty, "+
				"and Linux does not use the table",
			err))
		return
	}
	i, ok := t.MBR.EE()
	if !ok {
		t.found(disk.Warningf(disk.ProtectiveMBRMissing, 0,
			"the boot record has no record of type EE: systems that obey it do not use the GPT"))
		return
	}
	if t.MBR.Hybrid() {
		t.found(disk.Warningf(disk.HybridMBR, 0,
			"the boot record has entries of its own beside the protective one: "+
				"systems disagree on which table they obey, and both must be kept in step"))
		return
	}
	r := t.MBR.Record(i)
	want := t.Sectors - 1
	if r.Count != math.MaxUint32 && disk.Sector(r.Count) != want {
		t.found(disk.Warningf(disk.ProtectiveMBRSize, 0,
			"the protective record covers %d sectors, but %d (%d bytes) follow sector 0: "+
				"the disk was copied from one of another size, or cut",
			r.Count, want, int64(want)*int64(t.SectorSize)))
	}
}

// checkCopies says which copies are bad, misplaced or different.
func (t *Table) checkCopies() {
	if !t.Primary.Valid() {
		t.found(disk.Warningf(disk.GPTFirstCopyDamaged, 1,
			"the first copy of the table is not valid (%v): the second one, in sector %d, describes the disk; "+
				"firmware that reads only the first one does not start",
			t.Primary.Fault, t.Backup.At))
	}
	switch {
	case !t.Backup.Valid():
		t.foundBadBackup()
		return
	case t.Backup.At != t.Sectors-1:
		t.found(disk.Warningf(disk.GPTSecondCopyNotAtEnd, t.Backup.At,
			"the second copy of the table lies in sector %d, but the disk ends with sector %d: "+
				"a table made for a disk of %d sectors; systems that look for it at the end do not find it",
			t.Backup.At, t.Sectors-1, t.Backup.At+1))
	}
	if t.Primary.Valid() && !t.same() {
		t.found(disk.Warningf(disk.GPTCopiesDiffer, t.Backup.At,
			"both copies of the table are valid and do not say the same: the first one is in force"))
	}
}

func (t *Table) foundBadBackup() {
	if absent(t.Backup.Fault) {
		t.found(disk.Warningf(disk.GPTSecondCopyMissing, t.Backup.At,
			"there is no second copy of the table, neither where the first one says (sector %d) nor at the end of "+
				"the disk (sector %d): if sector 1 is lost, so is the table",
			t.Primary.Header.Alternate(), t.Sectors-1))
		return
	}
	t.found(disk.Warningf(disk.GPTSecondCopyDamaged, t.Backup.At,
		"the second copy of the table is not valid (%v): if sector 1 is lost, so is the table",
		t.Backup.Fault))
}

// same tells whether two valid copies say the same, each naming the other.
func (t *Table) same() bool {
	a, b := t.Primary.Header, t.Backup.Header
	return a.Alternate() == b.MyLBA() && b.Alternate() == a.MyLBA() &&
		a.FirstUsable() == b.FirstUsable() && a.LastUsable() == b.LastUsable() &&
		a.DiskGUID() == b.DiskGUID() && a.Count() == b.Count() && a.EntrySize() == b.EntrySize() &&
		bytes.Equal(t.Primary.array[:a.arrayBytes()], t.Backup.array[:b.arrayBytes()])
}

// checkEntries judges the places of the used entries.
func (t *Table) checkEntries() {
	for i, e := range t.Entries() {
		if _, ok := e.span(); e.Used() && !ok {
			t.found(disk.Warningf(disk.EntryBackwards, t.InForce.At,
				"entry %d runs from sector %d to sector %d: it describes nothing and is kept as it is",
				i+1, e.First, e.Last))
		}
	}
	h := t.InForce.Header
	if h.EntrySize() != minEntrySize {
		t.found(disk.Notef(disk.GPTEntrySize, t.InForce.At, "entries have %d bytes: some systems read only tables with 128",
			h.EntrySize()))
	}
	list := t.Layout().Entries
	t.Findings = append(t.Findings, layout.CheckEntries(list, t.Sectors)...)
	usable := disk.Between(disk.Sector(h.FirstUsable()), disk.Sector(h.LastUsable())+1)
	for _, e := range list {
		if e.End() <= t.Sectors && !usable.Covers(e.Span) {
			t.found(disk.Warningf(disk.EntryOutsideUsable, e.Table,
				"entry %d, sectors %s, is not inside the usable sectors %s of the table: "+
					"it may cover the table itself",
				e.Index, e.Span, usable))
		}
	}
}

// protective returns the record of type EE.
func protective(s *mbr.Sector) (i int, r mbr.Record, ok bool) {
	if s == nil {
		return 0, mbr.Record{}, false
	}
	if i, ok = s.EE(); ok {
		r = s.Record(i)
	}
	return i, r, ok
}
