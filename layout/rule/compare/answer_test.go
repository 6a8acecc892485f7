package compare

import (
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// TestReadingsOfTheSameBytesAreOne: 3,750 is 0E A6, highest byte first, and 42,510 is
// the same two bytes, lowest first: no card tells these readings apart.
func TestReadingsOfTheSameBytesAreOne(t *testing.T) {
	f := Field{Place: candidate.Place{From: layout.FromStart, Byte: 64}, Class: Size, Width: 2, Bits: 100, Ways: []Way{
		{64, "be16", []Formula{{Times: 1, Of: 1, Per: 20}, {Times: 1, Of: 1, Per: 16}}},
		{64, "le16", []Formula{{Times: 1, Of: 1, Per: 1, Min: -17_490, Max: -17_490}}},
	}}
	r := &Rules{SectorSize: 512, Sizes: []disk.Sector{40_000, 50_000}, Head: 8, Fields: []Field{f}}
	a, err := r.Answer(&r.Fields[0], 60_000)
	if err != nil || len(a.Others) != 1 || a.Others[0].Value != 3750 || a.Why != readingsText(1) {
		t.Errorf("%+v, %v; want 3,000, and 3,750 as the one other", a, err)
	}
	if rivals := r.Rivals(&r.Fields[0], 60_000); len(rivals) != 1 {
		t.Errorf("%d tries read it otherwise, want 1: %+v", len(rivals), rivals)
	}
}
