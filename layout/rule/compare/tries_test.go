package compare

import (
	"math/rand/v2"
	"testing"

	"bootgraft/image/disk"
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
		{Place: base, Class: Size, Width: 4, Bits: 30, Ways: []Way{{64, "le32", []Formula{less}}}},
		{Place: at(80), Class: Size, Width: 4, Bits: 30, On: &base,
			Ways: []Way{{80, "le32", []Formula{{Times: 1, Of: 2, Per: 1}}}}},
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
				Ways: []Way{{at.Byte, "le32", list}}})
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
