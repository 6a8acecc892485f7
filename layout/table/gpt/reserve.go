package gpt

import (
	"bootgraft/image/disk"
)

// PrimaryPlace returns the sectors that belong to the primary table, whether it is
// valid or not, without sector 0.
func (t *Table) PrimaryPlace() disk.Spans {
	if t.Primary.Valid() {
		return t.primarySpans()
	}
	n := arraySectors(t.InForce.Header.arrayBytes(), t.SectorSize)
	return disk.NewSpans(disk.Span{Start: 1, Count: 1 + n}).Within(disk.Span{Count: t.Sectors})
}

// BackupPlace returns the sectors that belong to the backup table, whether it
// is valid or not: if it is not, all that the primary table sets aside for it
// after the last usable sector.
func (t *Table) BackupPlace() disk.Spans {
	if t.Backup.Valid() {
		return t.backupSpans()
	}
	set := disk.Between(disk.Sector(t.InForce.Header.LastUsable())+1, t.ends())
	return disk.NewSpans(set).Within(disk.Span{Count: t.Sectors})
}

// ShownBackup returns the sectors of the backup table, valid or not, if a header
// shows that there is one: else what lies in its place may be anything, and
// belongs to nobody.
func (t *Table) ShownBackup() disk.Spans {
	if t.Backup.Header == nil {
		return nil
	}
	return t.BackupPlace()
}

// BackupSectors returns how many sectors the backup table takes at the end of
// a disk for which the table is rendered.
func (t *Table) BackupSectors() disk.Sector {
	distance, _ := t.distances(arraySectors(t.InForce.Header.arrayBytes(), t.SectorSize))
	return distance + 1
}
