package layout

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image/disk"
)

// CheckEntries compares the entries of one table with each other and with the
// disk of the given number of sectors. It finds `entry-past-end` for an entry
// that does not lie on the disk as a whole, and `entries-overlap` for two that
// share sectors. Empty entries are passed over. A container (Extended) may
// hold others, so it is checked against the end of the disk only; entries that
// stand for free space or for the whole disk are left out by the caller.
//
// The work grows as n log n, and there are at most two findings an entry: an
// overlap is reported against that earlier entry which reaches furthest.
func CheckEntries(entries []Entry, drive disk.Sector) []disk.Finding {
	used := slices.DeleteFunc(slices.Clone(entries), func(e Entry) bool { return e.Empty() })
	slices.SortStableFunc(used, func(a, b Entry) int { return cmp.Compare(a.Start, b.Start) })
	var found []disk.Finding
	furthest := -1
	for i, e := range used {
		if e.Start < 0 || e.Start > drive || e.Count > drive-e.Start {
			found = append(found, disk.Warningf(disk.EntryPastEnd, e.Table,
				"%s is %s, but the disk has %d sectors. What it names beyond the end is not here: compare the size of the drive "+
					"with the table before anything else",
				describe(e), e.Span, drive))
		}
		if e.Extended {
			continue
		}
		if furthest >= 0 && used[furthest].Overlaps(e.Span) {
			f := used[furthest]
			found = append(found, disk.Warningf(disk.EntriesOverlap, e.Table,
				"%s and %s both own sectors %s. A write through one changes the other: find out which of them is in use",
				describe(f), describe(e), f.Common(e.Span)))
		}
		if furthest < 0 || e.End() > used[furthest].End() {
			furthest = i
		}
	}
	return found
}

// describe names an entry and the place of its bytes.
func describe(e Entry) string {
	return fmt.Sprintf("entry %d (sector %d, byte %d)", e.Index, e.Table, e.Offset)
}
