package gather

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Wish is a run of sectors that a kit needs of a drive of which little is known yet.
type Wish struct {
	disk.Span
	What string
}

// bootRoom is how many sectors at the start of a volume that nobody has read yet are
// asked for: FAT32 keeps 32 reserved sectors by custom (Microsoft's FAT specification,
// BPB_RsvdSecCnt), and loaders behind a boot sector stay within a track of 63.
const bootRoom = 64

// Wanted lists what to ask the owner of a drive for whose table alone is known: what
// lies outside its entries, and the first sectors of each. Neighbours are one run.
func Wanted(m *layout.Map, ends Ends) []Wish {
	var all []Wish
	for _, a := range areas(m, ends) {
		if !a.far {
			all = append(all, Wish{a.Span, a.what})
		}
	}
	for _, e := range m.Entries {
		if e.HoldsVolume() {
			all = append(all, Wish{disk.Span{Start: e.Start, Count: min(bootRoom, e.Count)},
				fmt.Sprintf("first sectors of entry %d", e.Index)})
		}
	}
	slices.SortFunc(all, func(a, b Wish) int { return cmp.Compare(a.Start, b.Start) })
	var out []Wish
	for _, w := range all {
		w.Span = w.Common(disk.Span{Count: m.Sectors})
		last := len(out) - 1
		switch {
		case w.Empty():
		case last >= 0 && w.Start <= out[last].End():
			if w.End() > out[last].End() {
				out[last].Count = w.End() - out[last].Start
				out[last].What += ", " + w.What
			}
		default:
			out = append(out, w)
		}
	}
	return out
}
