package compare

import (
	"fmt"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// TestReadingsOfTheSameBytesAreOne: 3,750 is 0E A6, highest byte first, and 42,510 is
// the same two bytes, lowest first: no card tells these readings apart.
func TestReadingsOfTheSameBytesAreOne(t *testing.T) {
	f := Field{Place: candidate.Place{From: layout.FromStart, Byte: 64}, Class: Size, Width: 2, Bits: 100, Ways: []Way{
		{64, "be16", []Formula{{Times: 1, Of: 1, Per: 20}, {Times: 1, Of: 1, Per: 16}}, 0},
		{64, "le16", []Formula{{Times: 1, Of: 1, Per: 1, Min: -17_490, Max: -17_490}}, 0},
	}}
	r := &Rules{SectorSize: 512, Sizes: []disk.Sector{40_000, 50_000}, Head: 8, Fields: []Field{f}}
	a, err := r.Answer(&r.Fields[0], 60_000)
	if err != nil || len(a.Others) != 1 || a.Others[0].Value != 3000 || a.Why != readingsText(1) {
		t.Errorf("%+v, %v; want 3,750, which counts units of 16, and 3,000 as the one other", a, err)
	}
	if tries := r.Tries(60_000, false); len(tries) != 2 {
		t.Errorf("%d tries, want one by each number: %+v", len(tries), tries)
	}
}

// TestZerosInFrontGoOn: ten digits with zeros in front, of which the originals use
// seven: a card that needs six has one zero more, and no blank between digits.
func TestZerosInFrontGoOn(t *testing.T) {
	c, _ := originals(t, []disk.Sector{40_020_624, 35_967_456}, func(d *imagetest.Disk, n disk.Sector, _ int) {
		headOf(d, 68, fmt.Appendf(nil, "%010d", (n+31)/32))
	})
	if len(c.Fields) != 1 {
		t.Fatalf("%d numbers: %+v", len(c.Fields), c.Fields)
	}
	const n = 15_759_360
	a, err := c.Answer(&c.Fields[0], n)
	if want := "0000492480"; err != nil || a.Byte != 68 || string(a.Bytes) != want {
		t.Errorf("%q at byte %d, %v; want %q", a.Bytes, a.Byte, err, want)
	}
}

// TestOneNumberAloneIsCut: the device counts its sectors, and shows whole units of 24.
// All originals are whole ones, so no number tells; one try is right.
func TestOneNumberAloneIsCut(t *testing.T) {
	build := func(d *imagetest.Disk, n disk.Sector, _ int) {
		b := append(be32(n), make([]byte, 12)...)
		headOf(d, 64, append(b, be32(n/24*24)...))
	}
	c, src := originals(t, []disk.Sector{6_346_368, 12_594_960, 19_640_880}, build)
	const n = 7_774_208
	want := imagetest.New(n, 512)
	build(want, n, 0)
	card, err := image.ReadSectors(want, disk.Span{Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	right := 0
	for _, try := range c.Tries(n, false) {
		out, err := Apply(try.Rules, src, n)
		if err != nil {
			t.Fatal(err)
		}
		if string(out.Sectors[0].Bytes[:100]) == string(card[:100]) {
			right++
		}
	}
	if right != 1 {
		t.Errorf("%d tries are right, want one", right)
	}
}
