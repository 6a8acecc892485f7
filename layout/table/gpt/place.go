package gpt

import (
	"maps"
	"math"
	"slices"

	"bootgraft/image/disk"
)

// places says where the parts of a rendered table lie.
type places struct {
	primaryArray, backupArray disk.Span
	lastUsable                disk.Sector
}

// place decides where the parts lie on a disk of target sectors.
func (t *Table) place(target disk.Sector, array []byte) (*places, error) {
	h := t.InForce.Header
	n := arraySectors(uint64(len(array)), t.SectorSize)
	p := &places{primaryArray: disk.Span{Start: 2, Count: n}}
	if t.Primary.Valid() && t.Primary.fits(t.InForce) {
		p.primaryArray = t.Primary.Header.array()
	}
	firstUsable := disk.Sector(min(h.FirstUsable(), math.MaxInt64-1))
	if p.primaryArray.End() > firstUsable {
		return nil, disk.Unsupportedf(format, 1, entryLBAAt,
			"the first entry array, sectors %s, does not lie between the first header and the usable sectors, "+
				"which begin at %d",
			p.primaryArray, firstUsable)
	}
	lastUsed := t.lastUsed(array)
	need := max(lastUsed, firstUsable)
	distance, back := t.distances(n)
	if target < 1 || target-1-back < need {
		distance = min(distance, max(n, disk.Sector(reserved/t.SectorSize)))
		back = distance + 1
	}
	if target < 1 || target-1-back < need {
		return nil, &TooSmallError{Target: target, Smallest: min(need, math.MaxInt64-1-back) + 1 + back, LastUsed: lastUsed}
	}
	p.lastUsable = target - 1 - back
	p.backupArray = disk.Span{Start: target - 1 - distance, Count: n}
	return p, nil
}

// distances returns how far before the backup header its array and the last
// usable sector lie.
func (t *Table) distances(n disk.Sector) (array, lastUsable disk.Sector) {
	array = n
	if t.Backup.Valid() && t.Backup.fits(t.InForce) {
		if d := t.Backup.At - t.Backup.Header.array().Start; d >= n {
			array = d
		}
	}
	lastUsable = t.ends() - 1 - disk.Sector(t.InForce.Header.LastUsable())
	return array, max(lastUsable, array+1)
}

// lastUsed returns the last sector of all used entries of an array, or -1.
func (t *Table) lastUsed(array []byte) disk.Sector {
	last, size := disk.Sector(-1), int(t.InForce.Header.EntrySize())
	for i := 0; i < len(array); i += size {
		e := parseEntry(array[i:])
		if s, ok := e.span(); e.Used() && ok {
			last = max(last, s.Last())
		}
	}
	return last
}

// checkChanges keeps changed entries inside the usable sectors and off every
// other entry.
func (t *Table) checkChanges(p *places, array []byte, changes map[int]disk.Span) error {
	usable := disk.Between(disk.Sector(t.InForce.Header.FirstUsable()), p.lastUsable+1)
	size := int(t.InForce.Header.EntrySize())
	for _, index := range slices.Sorted(maps.Keys(changes)) {
		s := changes[index]
		if !usable.Covers(s) {
			return entryErrorf(index, "sectors %s are not inside the usable sectors %s", s, usable)
		}
		for i := 0; i*size < len(array); i++ {
			e := parseEntry(array[i*size:])
			if o, ok := e.span(); i+1 != index && e.Used() && ok && o.Overlaps(s) {
				return entryErrorf(index, "with sectors %s it would share sectors %s with entry %d", s, s.Common(o), i+1)
			}
		}
	}
	return nil
}
