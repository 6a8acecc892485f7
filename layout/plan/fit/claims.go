package fit

import (
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// noEntry is the index of a claim that no entry makes.
const noEntry = -1

// claim is somebody's word that a run of source sectors is his.
type claim struct {
	disk.Span
	index int    // of the entry, 0 for a bare volume, or noEntry
	name  string // as a sentence names it
	stale bool   // a table that is not in force says so
}

// claims lists everybody who claims source sectors: the entries that can hold a
// volume, the volumes as they state their own size, and the tables.
func (p *given) claims() []claim {
	var out []claim
	add := func(s disk.Span, index int, name string, stale bool) {
		if s = s.Common(image.Whole(p.src)); !s.Empty() {
			out = append(out, claim{s, index, name, stale})
		}
	}
	for _, e := range p.s.Entries {
		if e.HoldsVolume() {
			add(e.Span, e.Index, where(e.Index), false)
		}
	}
	for _, v := range p.s.Volumes {
		if e := p.s.Entry(v.Index); e != nil && e.Covers(v.Span) {
			continue
		}
		add(v.Span, v.Index, fmt.Sprintf("the %s volume in %s", v.Kind, where(v.Index)), false)
	}
	for _, t := range p.s.Tables {
		stale := t.State == layout.Stale || t.State == layout.Damaged
		if stale && t.Kind == "mbr" && len(t.Entries) == 0 {
			continue // 55 AA without a record: a boot sector, no table
		}
		for _, own := range t.Own {
			add(own, noEntry, fmt.Sprintf("the %s table (%s)", t.Kind, t.State), stale)
		}
		for _, e := range t.Entries {
			if t.State == layout.Disputed && e.HoldsVolume() {
				add(e.Span, noEntry, fmt.Sprintf("entry %d of the disputed %s table", e.Index, t.Kind), false)
			}
		}
	}
	return out
}

// claimOf returns all that an entry and the volume in it claim.
func (p *given) claimOf(index int) disk.Span {
	s := p.volumeSpan(index)
	if v := p.s.Volume(index); v != nil {
		s.Count = max(s.Count, v.End()-s.Start)
	}
	return s
}

// shared tells whether something else claims sectors of a volume that is to
// change: a sector that moves for one of the two is lost for the other. What
// no table in force claims may go if its owner accepts that.
func (p *sizing) shared(index int, asked bool) bool {
	own := p.claimOf(index)
	others := slices.DeleteFunc(p.claims(), func(c claim) bool { return c.index == index || !c.Overlaps(own) })
	for _, c := range others {
		both := c.Common(own)
		switch {
		case c.stale:
			p.ask(disk.Refusalf(disk.StaleTableCut, both.Start,
				"%s lie in %s, which is to change, and %s claims them too: what is left of that table goes",
				both.Text(), where(index), c.name))
			if !p.lets(disk.StaleTableCut) {
				return true
			}
			continue
		case asked:
			p.refuse(disk.Refusalf(disk.VolumeShared, both.Start,
				"%s belong to %s, and %s claims them too: a change of one would harm the other. Find out which of them is in "+
					"use, and plan without a change of this volume", both.Text(), where(index), c.name))
		default:
			p.out.fixed = append(p.out.fixed, disk.Notef(disk.VolumeShared, both.Start,
				"%s cannot become smaller: %s of it %s claimed by %s too", where(index), both.Text(),
				disk.IsAre(both.Count), c.name))
		}
		return true
	}
	return false
}
