package candidate

import (
	"fmt"

	"bootgraft/image/disk"
)

// Size is a number that a device may keep about the size of its disk. The
// smaller its rank, the more usual it is.
type Size struct {
	Rank    int
	Value   uint64
	Meaning string
}

// Sizes lists what the size of a disk of n sectors may be written as; less are
// numbers of sectors that may not count: a head, a tail. The lists of two disks
// with one sector size and the same less have the same meanings in the same
// order; a value may be zero.
func Sizes(n disk.Sector, sectorSize int, less []disk.Sector) []Size {
	sectors, bytes := uint64(n), uint64(n)*uint64(sectorSize)
	out := []Size{
		{0, sectors, "sectors of the disk"},
		{0, sectors - 1, "last sector of the disk"},
		{1, bytes, "bytes of the disk"},
		{1, bytes >> 10, "KiB of the disk"},
		{1, bytes >> 20, "MiB of the disk"},
		{1, bytes / 1e6, "MB of the disk"},
		{2, bytes - 1, "last byte of the disk"},
	}
	if sectorSize != 512 {
		out = append(out, Size{1, bytes / 512, "sectors of 512 bytes of the disk"})
	}
	count := func(rank int, unit uint64, name string) {
		whole := sectors / unit
		out = append(out,
			Size{rank, whole, "size of the disk in " + name},
			Size{rank + 1, whole * unit, "sectors of the disk in whole " + name},
			Size{rank + 2, max(whole, 1) - 1, "size of the disk in " + name + ", less one"},
			Size{rank + 2, max(whole*unit, 1) - 1, "last sector of the whole " + name})
	}
	for _, u := range table {
		switch {
		case u.uses&InNumbers != 0:
			count(2, uint64(u.Sectors), u.Name())
		case u.Heads > 0:
			count(3, uint64(u.Sectors), u.Name())
		}
	}
	for _, s := range less {
		out = append(out, Size{4, uint64(max(n-s, 0)), fmt.Sprintf("sectors of the disk less %d", s)})
	}
	return out
}
