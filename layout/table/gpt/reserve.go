package gpt

import (
	"bootgraft/image/disk"
)

// FirstPlace returns the sectors that belong to the first copy, whether it is
// valid or not, without sector 0.
func (t *Table) FirstPlace() disk.Spans {
	if t.Primary.Valid() {
		return t.First()
	}
	n := arraySectors(t.InForce.Header.arrayBytes(), t.SectorSize)
	return disk.NewSpans(disk.Span{Start: 1, Count: 1 + n}).Within(disk.Span{Count: t.Sectors})
}

// SecondPlace returns the sectors that belong to the second copy, whether it
// is valid or not: if it is not, all that the first copy sets aside for it
// after the last usable sector.
func (t *Table) SecondPlace() disk.Spans {
	if t.Backup.Valid() {
		return t.Second()
	}
	set := disk.Between(disk.Sector(t.InForce.Header.LastUsable())+1, t.ends())
	return disk.NewSpans(set).Within(disk.Span{Count: t.Sectors})
}

// ShownSecond returns the sectors of the second copy, valid or not, if a header
// shows that there is one: else what lies in its place may be anything, and
// belongs to nobody.
func (t *Table) ShownSecond() disk.Spans {
	if t.Backup.Header == nil {
		return nil
	}
	return t.SecondPlace()
}

// SecondSectors returns how many sectors the second copy takes at the end of
// a disk for which the table is rendered.
func (t *Table) SecondSectors() disk.Sector {
	distance, _ := t.distances(arraySectors(t.InForce.Header.arrayBytes(), t.SectorSize))
	return distance + 1
}
