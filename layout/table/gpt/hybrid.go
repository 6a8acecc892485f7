package gpt

import (
	"math"

	"bootgraft/image/disk"
	"bootgraft/layout/table/mbr"
)

// A hybrid boot record names entries of the table a second time. No standard has it:
// what is known of one is that a record which names the same sectors as an entry is
// that entry, and that both have to be kept in step.

func spanOf(r mbr.Record) disk.Span {
	return disk.Span{Start: disk.Sector(r.Start), Count: disk.Sector(r.Count)}
}

// Tied tells whether records of the boot record keep an entry with these sectors as long
// as it is: they name a part of it, or what lies behind it is theirs.
func (t *Table) Tied(s disk.Span) bool {
	if t.MBR == nil || !t.MBR.Hybrid() {
		return false
	}
	protects, _ := t.MBR.EE()
	for i := range mbr.Records {
		r := t.MBR.Record(i)
		other := spanOf(r)
		switch {
		case !r.Used() || other == s && r.Type != mbr.TypeGPT:
		case other.Overlaps(s) && i != protects:
			return true
		case r.Type == mbr.TypeGPT && other.Start >= s.End():
			return true
		}
	}
	return false
}

// keepInStep gives the records of a hybrid boot record that name an entry its new sectors.
func (t *Table) keepInStep(s *mbr.Sector, changes map[int]disk.Span) error {
	if !t.MBR.Hybrid() {
		return nil
	}
	entries := t.Entries()
	for index, to := range changes {
		old, ok := entries[index-1].span()
		if !ok || old.Start != to.Start {
			continue
		}
		for i := range mbr.Records {
			r := t.MBR.Record(i)
			if !r.Used() || r.Type == mbr.TypeGPT || spanOf(r) != old {
				continue
			}
			if to.Count > math.MaxUint32 {
				return entryErrorf(index, "the boot record names it too, and has no room for %d sectors", to.Count)
			}
			s.SetCount(i, uint32(to.Count))
			s.SetEndCHS(i, endTuple(r, to.Count))
		}
	}
	return nil
}
