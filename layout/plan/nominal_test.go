package plan

import (
	"strings"
	"testing"

	"bootgraft/image/disk"
)

// C01-C04: 512-byte sectors by IDEMA LBA1-02, section 2 and its example of
// 80 GB; 500 GB to 2 TB also as printed in a drive maker's manual of 2011,
// section 3.2. Below 50 GB the standard says nothing, so a drive of 20 GB is not
// named by it, although the formula has a value for it.
func TestPublishedDriveSizes(t *testing.T) {
	for sectors, gb := range map[disk.Sector]string{
		117_231_408: "60", 156_301_488: "80", 195_371_568: "100", 234_441_648: "120", 312_581_808: "160", 488_397_168: "250",
		625_142_448: "320", 976_773_168: "500", 1_953_525_168: "1000", 3_907_029_168: "2000",
	} {
		if got := publishedSize(Size{Sectors: sectors, SectorSize: 512}); got != "a drive of "+gb+" GB by IDEMA LBA1-02" {
			t.Errorf("%d sectors: %q", sectors, got)
		}
		if got := publishedSize(Size{Sectors: sectors + 1, SectorSize: 512}); got != "" {
			t.Errorf("%d sectors: %q", sectors+1, got)
		}
	}
	// 80 GB in sectors of 4,096 bytes: one eighth (LBA1-03, from memory).
	if got := publishedSize(Size{Sectors: 19_537_686, SectorSize: 4096}); !strings.Contains(got, "80 GB") {
		t.Errorf("4,096 bytes: %q", got)
	}
	for _, below := range []disk.Sector{39_091_248, 39_063_024, 39_070_080} {
		if got := publishedSize(Size{Sectors: below, SectorSize: 512}); got != "" {
			t.Errorf("%d sectors: %q", below, got)
		}
	}
}

// C09, C16: user areas of SD cards (a flash maker's product manual, SD card,
// rev. 2.2, December 2004, table 1-1), and the CompactFlash card of 490*8*32
// sectors, 64,225,280 bytes (a maker's note on capacity).
func TestPublishedCardSizes(t *testing.T) {
	for sectors, name := range map[disk.Sector]string{
		121_856: "64 MB", 246_016: "128 MB", 494_080: "256 MB", 990_976: "512 MB", 1_984_000: "1 GB", 3_971_072: "2 GB", 125_440: "64 MB",
	} {
		n := NominalOf(Size{Sectors: sectors, SectorSize: 512})
		if !strings.Contains(n.Published, name) || n.Name() != name {
			t.Errorf("%d sectors: %+v", sectors, n)
		}
		// No real card has exactly its nominal size, and none of these does.
		if n.Percent == 0 || int64(sectors)*512 == n.Bytes {
			t.Errorf("%d sectors are said to be exactly %s", sectors, name)
		}
	}
	if cf64*512 != 64_225_280 {
		t.Error("490*8*32 sectors are not 64,225,280 bytes")
	}
}

// C06: the least user areas of SDHC and SDXC cards: SD Physical Layer
// Simplified Specification 4.10, section 5.3.3, pages 123 and 124; the classes:
// section 3.3.2. C05: drives of 20 GB, from memory. 15,523,840 is a card of 8 GB,
// from memory.
func TestSizesOfTheTrade(t *testing.T) {
	for _, c := range []struct {
		sectors disk.Sector
		name    string
		percent float64
		class   string
	}{
		{3_971_072, "2 GB", 1.66, "SDSC"}, {1 << 22, "2 GB", 7.37, "SDSC"}, {4_211_712, "2 GB", 7.82, "SDHC"},
		{15_523_840, "8 GB", -0.65, "SDHC"}, {31_116_288, "16 GB", -0.43, "SDHC"}, {67_108_863, "32 GB", 7.37, "SDHC"},
		{67_108_864, "32 GB", 7.37, "SDXC"}, {62_333_952, "32 GB", -0.27, "SDHC"}, {125_000_000, "64 GB", 0, "SDXC"},
		{39_063_024, "20 GB", 0, "SDHC"}, {39_070_080, "20 GB", 0.02, "SDHC"}, {3_907_029_168, "2 TB", 0.02, "SDXC"},
		{1 << 33, "", 0, ""},
	} {
		n := NominalOf(Size{Sectors: c.sectors, SectorSize: 512})
		name := ""
		if n.Bytes > 0 {
			name = n.Name()
		}
		if name != c.name || n.Percent != c.percent || n.SDClass != c.class {
			t.Errorf("%d sectors: %+v, want %+v", c.sectors, n, c)
		}
	}
}
