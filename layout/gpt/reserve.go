package gpt

import "bootgraft/layout"

// FirstPlace returns the sectors that belong to the first copy, whether it is
// valid or not, without sector 0.
func (t *Table) FirstPlace() layout.Spans {
	if t.Primary.Valid() {
		return t.First()
	}
	n := arraySectors(t.InForce.Header.arrayBytes(), t.SectorSize)
	return layout.NewSpans(layout.Span{Start: 1, Count: 1 + n}).Within(layout.Span{Count: t.Sectors})
}

// SecondPlace returns the sectors that belong to the second copy, whether it
// is valid or not: if it is not, all that the first copy sets aside for it
// after the last usable sector.
func (t *Table) SecondPlace() layout.Spans {
	if t.Backup.Valid() {
		return t.Second()
	}
	set := layout.Between(layout.Sector(t.InForce.Header.LastUsable())+1, t.ends())
	return layout.NewSpans(set).Within(layout.Span{Count: t.Sectors})
}

// SecondSectors returns how many sectors the second copy takes at the end of
// a disk for which the table is rendered.
func (t *Table) SecondSectors() layout.Sector {
	distance, _ := t.distances(arraySectors(t.InForce.Header.arrayBytes(), t.SectorSize))
	return distance + 1
}
