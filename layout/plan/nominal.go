package plan

import (
	"fmt"
	"math"

	"bootgraft/image/disk"
)

// Nominal is the size that a card or drive was sold as, as far as its number
// of sectors tells.
type Nominal struct {
	Bytes     int64   // 0 if no usual size is near
	Percent   float64 // by how much the disk is larger
	Published string  // a published size that it has to the sector, or nothing
	SDClass   string  // of an SD card of this size
}

// tradeGB are the sizes in GB that disks are sold in besides powers of two,
// common practice without a source.
var tradeGB = []float64{10, 20, 30, 40, 60, 80, 100, 120, 160, 200, 250, 320, 400, 500, 640, 750,
	1000, 1500, 2000, 3000, 4000, 5000, 6000, 8000, 10_000, 12_000}

// nearest is by how much a real size may differ from the nominal one to be
// named beside it: by hand, no source.
const nearest = 0.08

// NominalOf compares a size with those that the trade sells.
func NominalOf(d Size) Nominal {
	size := float64(d.Sectors) * float64(d.SectorSize)
	out := Nominal{Published: publishedSize(d), SDClass: sdClass(d)}
	best := nearest
	try := func(bytes float64) {
		if off := size/bytes - 1; math.Abs(off) < best {
			best = math.Abs(off)
			out.Bytes, out.Percent = int64(bytes), math.Round(off*10_000)/100
		}
	}
	for mb := 8e6; mb < 1e9; mb *= 2 {
		try(mb)
	}
	for gb := 1e9; gb < 1e12; gb *= 2 {
		try(gb)
	}
	for _, gb := range tradeGB {
		try(gb * 1e9)
	}
	return out
}

// The number of sectors that drive makers agreed on: 97,696,368 for 50 GB, and
// 1,953,504 for each GB more (IDEMA LBA1-02); sectors of 4,096 bytes hold eight
// of 512. The standard begins at 50 GB and says nothing of smaller drives.
const (
	idemaAt50 = 97_696_368
	idemaPer  = 1_953_504
)

// sdUserAreas are the user areas of SD cards, in sectors of 512 bytes, by one
// flash maker's product manual: SD card, rev. 2.2, December 2004, table 1-1.
var sdUserAreas = map[disk.Sector]string{
	121_856: "64 MB", 246_016: "128 MB", 494_080: "256 MB", 990_976: "512 MB", 1_984_000: "1 GB", 3_971_072: "2 GB",
}

// cf64 is 490 cylinders, 8 heads, 32 sectors: the CompactFlash card of 64 MB in
// a maker's note on capacity.
const cf64 = 490 * 8 * 32

// publishedSize names the published size that a disk has to the sector.
func publishedSize(d Size) string {
	in512 := d.Sectors * disk.Sector(d.SectorSize) / 512
	if gb := (in512 - idemaAt50) / idemaPer; in512 >= idemaAt50 && in512 == idemaAt50+gb*idemaPer {
		return fmt.Sprintf("a drive of %d GB by IDEMA LBA1-02", gb+50)
	}
	switch name := sdUserAreas[in512]; {
	case d.SectorSize != 512:
		return ""
	case name != "":
		return "the user area of an SD card of " + name + " in a maker's manual of 2004"
	case in512 == cf64:
		return "a CompactFlash card of 64 MB in a maker's note (490 cylinders, 8 heads, 32 sectors)"
	}
	return ""
}

// sdClass returns the class of an SD card of this size: SD Physical Layer
// Simplified Specification 4.10, section 3.3.2. The card's own size counts,
// which is about one percent more than the sectors that can be seen.
func sdClass(d Size) string {
	switch bytes := int64(d.Sectors) * int64(d.SectorSize); {
	case bytes <= 1<<31:
		return "SDSC"
	case bytes < 1<<35: // the smallest SDXC card shows 2^35 bytes (section 5.3.3, C_SIZE)
		return "SDHC"
	case bytes <= 1<<41:
		return "SDXC"
	}
	return ""
}

// Name is the nominal size as it is printed on a package.
func (n Nominal) Name() string {
	bytes := n.Bytes
	switch {
	case bytes >= 1e12 && bytes%1e11 == 0:
		return fmt.Sprintf("%g TB", float64(bytes)/1e12)
	case bytes >= 1e9:
		return fmt.Sprintf("%d GB", bytes/1e9)
	}
	return fmt.Sprintf("%d MB", bytes/1e6)
}
