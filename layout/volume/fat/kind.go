package fat

import "fmt"

// Kind is the width of an entry of the allocation table, in bits.
type Kind int

// The kinds. FG, "FAT Type Determination".
const (
	FAT12 Kind = 12
	FAT16 Kind = 16
	FAT32 Kind = 32
)

// Limits of the cluster count. FG, "FAT Type Determination": fewer than 4,085
// clusters are FAT12, fewer than 65,525 are FAT16.
const (
	MinFAT16 = 4085
	MinFAT32 = 65525
	// nearLimit is how close to either limit a count should not come: "at least
	// 16 clusters away", because some drivers miscount there (FG, "FAT Volume
	// Initialization").
	nearLimit = 16
	// MaxFAT32 is the largest count that leaves 0FFFFFF7h free for the mark
	// of a bad cluster. FG, "FAT Data Structure"; also Microsoft KB 184006.
	MaxFAT32 = 268435445
)

func (k Kind) String() string { return fmt.Sprintf("fat%d", int(k)) }

// Format is the name as people write it: FAT16.
func (k Kind) Format() string { return fmt.Sprintf("FAT%d", int(k)) }

// Mask covers the bits of an entry that name a cluster. The high four bits of
// a FAT32 entry are reserved and must survive (FG, "FAT Data Structure").
func (k Kind) Mask() uint32 {
	switch k {
	case FAT12:
		return 0xFFF
	case FAT16:
		return 0xFFFF
	}
	return 0x0FFFFFFF
}

// Bad is the mark of a bad cluster: 0FF7h, FFF7h or 0FFFFFF7h.
func (k Kind) Bad() uint32 { return k.Mask() &^ 8 }

// EndMin is the least value that ends a chain: 0FF8h, FFF8h or 0FFFFFF8h.
func (k Kind) EndMin() uint32 { return k.Mask() &^ 7 }

// End is the value that is written to end a chain: 0FFFh, FFFFh or 0FFFFFFFh.
func (k Kind) End() uint32 { return k.Mask() }

// Put returns the entry old with its cluster number replaced by value. The
// reserved bits of a FAT32 entry stay.
func (k Kind) Put(old, value uint32) uint32 { return old&^k.Mask() | value&k.Mask() }

// cleanBit and goodBit are the flags of FAT[1]; a bit that is 1 is good news.
// FAT12 has none. FG, "FAT Data Structure".
func (k Kind) cleanBit() uint32 {
	switch k {
	case FAT16:
		return 0x8000
	case FAT32:
		return 0x08000000
	}
	return 0
}

func (k Kind) goodBit() uint32 { return k.cleanBit() >> 1 }

// Clusters returns the least and the largest count that drivers accept for the
// kind.
func (k Kind) Clusters() (low, high int64) {
	switch k {
	case FAT12:
		return 1, MinFAT16 - 1
	case FAT16:
		return MinFAT16, MinFAT32 - 1
	}
	return MinFAT32, MaxFAT32
}

// tableBytes is how many bytes the entries of n clusters and the two before
// them take.
func (k Kind) tableBytes(clusters int64) int64 { return ((clusters+2)*int64(k) + 7) / 8 }

// TableSectors returns the least number of sectors for one allocation table
// that holds an entry for each cluster of the volume and the two before them,
// and how many clusters the volume then has. total, before and the result are
// in the volume's own sectors; before counts the reserved ones and those of a
// fixed root directory.
//
// The formula of FG, "FAT Volume Initialization", is not used: for thousands
// of FAT16 sizes its table is one or two entries short, as it forgets FAT[0]
// and FAT[1].
func TableSectors(k Kind, total, before int64, fats, sectorsPerCluster, bytesPerSector int) (sectors, clusters int64) {
	count := func(size int64) int64 {
		return max(0, total-before-int64(fats)*size) / int64(sectorsPerCluster)
	}
	enough := func(size int64) bool {
		return size*int64(bytesPerSector) >= k.tableBytes(count(size))
	}
	low, high := int64(1), int64(1)
	for !enough(high) {
		high *= 2
	}
	for low < high {
		if mid := (low + high) / 2; enough(mid) {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return low, count(low)
}
