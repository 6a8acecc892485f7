package compare

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// TestWhatFollowsFromNothing: a number follows from another one, which is below zero on
// a small card. Neither can be written there, and nothing panics.
func TestWhatFollowsFromNothing(t *testing.T) {
	at := func(b int) candidate.Place { return candidate.Place{From: layout.FromStart, Byte: b} }
	base := at(64)
	less := Formula{Times: 1, Of: 1, Per: 1, Min: -30_000, Max: -30_000}
	rules := &Rules{SectorSize: 512, Sizes: []disk.Sector{40_000, 50_000}, Head: 8, Fields: []Field{
		{Place: base, Class: Size, Width: 4, Bits: 30, Ways: []Way{{64, "le32", []Formula{less}, 0}}},
		{Place: at(80), Class: Size, Width: 4, Bits: 30, On: &base,
			Ways: []Way{{80, "le32", []Formula{{Times: 1, Of: 2, Per: 1}}, 0}}},
	}}
	if err := rules.Check(); err != nil {
		t.Fatal(err)
	}
	const n = 20_000
	for i := range rules.Fields {
		if a, err := rules.Answer(&rules.Fields[i], n); err == nil {
			t.Errorf("%s holds %d", rules.Fields[i].Place, a.Value)
		}
	}
	if tries := rules.Tries(n, true); len(tries) == 0 {
		t.Error("no try")
	}
}

// TestTriesOfAnyFormula: a rule file may hold any formula that can be computed, also
// one that no device writes: nothing of it stops the tries, and the first of them is
// what the rules make.
func TestTriesOfAnyFormula(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	of := func(most int) int64 { return 1 + int64(r.Uint64()>>(64-1-r.IntN(most))) }
	either := func(most int) int64 { // of both signs
		up, down := of(most), of(most)
		return up - down
	}
	for range 3000 {
		rules := &Rules{SectorSize: 512, Sizes: []disk.Sector{40_000, 50_000}, Head: 8,
			Counts: []Count{{}, {Whole: 16065}, {Whole: of(20) + 1}}}
		for i := range 1 + r.IntN(3) {
			var list []Formula
			for range 1 + r.IntN(3) {
				f := Formula{Times: of(32), Of: of(20), Per: of(40), Plus: either(30)}
				f.Min = either(50)
				f.Max = f.Min + of(40) - 1
				if f.valid() {
					list = append(list, f)
				}
			}
			if len(list) == 0 {
				list = []Formula{{Times: 1, Of: 1, Per: 1}}
			}
			at := candidate.Place{From: layout.FromStart, Byte: 64 + 16*i}
			rules.Fields = append(rules.Fields, Field{Place: at, Class: Size, Width: 4, Bits: float64(r.IntN(40) - 8),
				Ways: []Way{{at.Byte, "le32", list, 0}}})
		}
		if err := rules.Check(); err != nil {
			t.Fatal(err)
		}
		n := disk.Sector(of(40))
		tries := rules.Tries(n, true)
		if len(tries) == 0 || len(tries[0].Changed) > 0 {
			t.Fatalf("%+v: no first try for %d sectors", rules, n)
		}
	}
}

// TestWhatFollowsFollowsFromOneReading: a number follows from another one as that one is
// read first. Where it may begin a byte later too, it is another number there, from
// which nothing was seen to follow; and a try that reads it so is a card all the same.
func TestWhatFollowsFollowsFromOneReading(t *testing.T) {
	at := func(b int) candidate.Place { return candidate.Place{From: layout.FromStart, Byte: b} }
	base := at(64)
	rules := &Rules{SectorSize: 512, Sizes: []disk.Sector{65_536, 131_072}, Head: 8, Fields: []Field{
		{Place: base, Class: Size, Width: 4, Bits: 30, Ways: []Way{
			{64, "le32", []Formula{{Times: 1, Of: 1, Per: 1}}, 1},
			{65, "le32", []Formula{{Times: 1, Of: 1, Per: 256}}, 0.5},
		}},
		{Place: at(96), Class: Size, Width: 4, Bits: 30, On: &base,
			Ways: []Way{{96, "le32", []Formula{{Times: 1, Of: 1, Per: 128, Min: 256, Max: 256}}, 1}}},
	}}
	const n = 200_000 // of 256 sectors 781 units, and of 128 two more than 1,562
	a, err := rules.Answer(&rules.Fields[1], n)
	if err != nil || a.Value != 1564 || len(a.Others) > 0 {
		t.Errorf("%+v, %v; want 1,564 and nothing else", a, err)
	}
	moved := false
	for i, try := range rules.Tries(n, false) {
		if err := try.Rules.Check(); err != nil {
			t.Errorf("try %d: %v", i+1, err)
		}
		moved = moved || try.Rules.Fields[0].Byte == 65
		if a, err := try.Rules.Answer(&try.Rules.Fields[1], n); err != nil || a.Value != 1564 {
			t.Errorf("try %d, %v: what follows is %d, %v", i+1, try.Changed, a.Value, err)
		}
	}
	if !moved {
		t.Error("no try reads the number from byte 65 on")
	}
}

// TestARoundedSizeIsNoAddress: all originals leave 64 sectors over whole units of 128. So
// what is 64 less than the size may be a place, or the size in whole units: the card of
// whole units is no card on which a place lies beyond the end.
func TestARoundedSizeIsNoAddress(t *testing.T) {
	rules := &Rules{SectorSize: 512, Sizes: []disk.Sector{65_600, 131_136}, Head: 8, Fields: []Field{
		{Place: candidate.Place{From: layout.FromStart, Byte: 64}, Class: Address, Width: 4, Bits: 30, Ways: []Way{
			{64, "le32", []Formula{{Times: 1, Of: 1, Per: 1, Min: -64, Max: -64}, {Times: 128, Of: 1, Per: 128}}, 1},
		}}}}
	const n = 200_064 // of 128 sectors 1,563 units, and nothing over
	src := imagetest.New(65_600, 512)
	b := make([]byte, 512)
	binary.LittleEndian.PutUint32(b[64:], 65_536)
	src.Put(0, b)
	for i, try := range rules.Tries(n, false) {
		out, err := Apply(try.Rules, src, n)
		if err != nil {
			t.Errorf("try %d: %v", i+1, err)
			continue
		}
		if i == 0 && !bytes.Equal(out.Sectors[0].Bytes[64:68], []byte{0x80, 0x0D, 0x03, 0}) {
			t.Errorf("first comes % x, want the size in whole units", out.Sectors[0].Bytes[64:68])
		}
	}
}
