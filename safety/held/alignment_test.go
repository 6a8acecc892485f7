package held

import (
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// The layout of an old drive of 20 GB: FAT32 at sector 63, 32 reserved sectors,
// two tables of 9,535 sectors, so that its data begins at sector 19,165, which is
// 2,781 past a boundary of 4 MiB and 5 past one of 4 KiB: F14 (Microsoft FAT:
// General Overview of On-Disk Format v1.03, FAT Volume Initialization) and
// arithmetic. L01: 8,192 sectors up to 32 GB (SD Specifications Part 2, from
// memory).
func TestAlignmentOfAnOldDrive(t *testing.T) {
	s := &layout.Map{}
	s.Entries = []layout.Entry{
		{Index: 1, Span: disk.Span{Start: 63, Count: 39_062_961}},
		{Index: 2, Span: disk.Span{Start: 39_063_552, Count: 8192}, Extended: true},
		{Index: 3, Span: disk.Span{Start: 4768 * 8192, Count: 8192}},
	}
	data := layout.Part{Span: disk.Between(63+32+2*9535, 39_063_024), Role: layout.PartData}
	s.Volumes = []layout.Volume{{Index: 1, Span: s.Entries[0].Span, Parts: []layout.Part{data}}}
	a := AlignmentOf(plan.Size{Sectors: 40_000_000, SectorSize: 512}, 0, s)
	want := []Begin{
		{"partition 1", 63, 63, false, false},
		{"partition 3", 4768 * 8192, 0, true, true},
		{"data of volume 1", 19_165, 2781, false, false},
	}
	if a.Boundary != 8192*512 || len(a.Places) != len(want) {
		t.Fatalf("%+v", a)
	}
	for i, p := range a.Places {
		if p != want[i] {
			t.Errorf("%+v, want %+v", p, want[i])
		}
	}
}

// L02, L03: the unit in which the card itself says that it erases counts, if it
// is larger (Linux, Documentation/driver-api/mmc/mmc-dev-attrs.rst:
// preferred_erase_size is the AU of an SD card).
func TestAlignmentFollowsTheCard(t *testing.T) {
	if a := AlignmentOf(plan.Size{Sectors: 31_116_288, SectorSize: 512}, 16<<20, nil); a.Boundary != 16<<20 || len(a.Places) != 0 {
		t.Errorf("%+v", a)
	}
}
