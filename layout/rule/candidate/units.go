package candidate

import "fmt"

// Use says where a unit is looked for.
type Use uint8

// The uses.
const (
	InNumbers Use = 1 << iota // a number on one disk may count the disk in it
	Rounding                  // a number that several disks leave open may be rounded to it
	Block                     // a disk may be a whole number of it without anybody's doing
	Cluster                   // room behind an area is counted in it
	Cut                       // a device may count whole ones alone
	Beside                    // its heads and sectors may stand beside the cylinders
	Address                   // addresses may be counted in it
)

// unit is a number of sectors in which devices count.
type unit struct {
	Sectors      int64
	Heads, Track int64 // of a cylinder; 0: it is none
	uses         Use
}

// table lists the units, ascending: powers of two, the clusters of old devices,
// tracks and cylinders. The cylinders are common practice, no source, but for 16 x 63,
// which is that of ATA: drives and bridges of the time show these.
var table = []unit{
	{2, 0, 0, InNumbers | Rounding | Block},
	{4, 0, 0, Rounding | Block | Cluster},
	{8, 0, 0, InNumbers | Rounding | Block | Cluster | Address},
	{16, 0, 0, InNumbers | Rounding | Block | Cluster | Address},
	{18, 0, 0, InNumbers | Rounding | Block | Cluster},
	{24, 0, 0, Rounding | Block | Cluster},
	{32, 0, 0, InNumbers | Rounding | Block | Cluster | Address},
	{48, 0, 0, Rounding | Block},
	{63, 0, 63, InNumbers | Rounding | Cut},
	{64, 0, 0, InNumbers | Rounding | Block | Cluster | Address},
	{128, 0, 0, InNumbers | Rounding | Block | Cluster | Address},
	{255, 0, 0, Rounding},
	{256, 0, 0, Rounding | Block | Cluster},
	{504, 8, 63, Cut},
	{512, 16, 32, Rounding | Block},
	{945, 15, 63, Rounding | Cut | Beside},
	{1008, 16, 63, InNumbers | Rounding | Cut | Beside},
	{1024, 32, 32, Rounding | Block | Beside},
	{2048, 64, 32, Rounding | Block | Beside},
	{4032, 64, 63, Cut},
	{4096, 0, 0, Rounding},
	{8064, 128, 63, Cut},
	{8192, 0, 0, Rounding},
	{15120, 240, 63, Cut},
	{16065, 255, 63, InNumbers | Rounding | Cut | Beside},
	{16384, 0, 0, Rounding},
	{32768, 0, 0, Rounding},
	{65536, 0, 0, Rounding},
}

// units returns the units of a use, ascending.
func units(use Use) (out []unit) {
	for _, u := range table {
		if u.uses&use != 0 {
			out = append(out, u)
		}
	}
	return out
}

// UnitSizes returns the sectors of the units of a use, ascending.
func UnitSizes(use Use) (out []int64) {
	for _, u := range units(use) {
		out = append(out, u.Sectors)
	}
	return out
}

// Name says what several of the unit are called.
func (u unit) Name() string {
	switch {
	case u.Heads > 0:
		return fmt.Sprintf("cylinders of %d heads and %d sectors", u.Heads, u.Track)
	case u.Track > 0:
		return fmt.Sprintf("tracks of %d sectors", u.Track)
	case u.Sectors == 2:
		return "pairs of sectors"
	}
	return fmt.Sprintf("units of %d sectors", u.Sectors)
}
