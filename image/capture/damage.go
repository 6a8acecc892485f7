package capture

import (
	"bootgraft/image"
	"bootgraft/layout"
)

// Extent is a run of bytes of a file that lies in one piece on the disk.
type Extent struct {
	Disk   int64 // first byte on the disk; -1: a hole of the file, all zeros by its file system
	Length int64 // bytes
}

// Range is a run of bytes of a file.
type Range struct {
	Offset int64 `json:"offset"`
	Length int64 `json:"length"`
}

// Damage returns which bytes of a file are not known, given where its bytes
// lie on the disk, in the file's order. Sectors that lie partly in the file
// count with the bytes that the file has of them.
func Damage(src image.Source, extents []Extent) []Range {
	n := int64(src.SectorSize())
	var out []Range
	var at int64
	for _, e := range extents {
		if e.Disk >= 0 && e.Length > 0 {
			w := layout.Between(layout.Sector(e.Disk/n), layout.Sector((e.Disk+e.Length+n-1)/n))
			for _, u := range image.Unknown(src, w) {
				first := max(int64(u.Start)*n, e.Disk)
				last := min(int64(u.End())*n, e.Disk+e.Length)
				out = addRange(out, Range{at + first - e.Disk, last - first})
			}
		}
		at += max(0, e.Length)
	}
	return out
}

func addRange(list []Range, r Range) []Range {
	if k := len(list); k > 0 && list[k-1].Offset+list[k-1].Length == r.Offset {
		list[k-1].Length += r.Length
		return list
	}
	return append(list, r)
}
