package fit

import (
	"context"
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan"
)

// mirrored is a full disk without any table whose last 8 sectors repeat the
// first ones, the last one first: an invented device.
func mirrored(n disk.Sector) *imagetest.Disk {
	rng := rand.New(rand.NewPCG(3, 4))
	b := make([]byte, n*512)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	for i := range disk.Sector(8) {
		copy(b[(n-1-i)*512:(n-i)*512], b[i*512:(i+1)*512])
	}
	return imagetest.NewBytes(b, 512)
}

// truthful plans with all that is true of the disk.
func truthful(t *testing.T, d *imagetest.Disk, w Wishes) (*plan.Plan, error) {
	t.Helper()
	s, err := scan.Run(context.Background(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.LookOutside(context.Background(), d, s); err != nil {
		t.Fatal(err)
	}
	if len(w.Invariants) == 0 && w.Target.Sectors != s.Sectors {
		t.Fatal("nothing is true of the disk")
	}
	w.Target.SectorSize = 512
	return Plan(context.Background(), d, s, w)
}

func hasCode(all []disk.Finding, code string) bool {
	return slices.ContainsFunc(all, func(f disk.Finding) bool { return string(f.Code) == code })
}

// What repeats the head at the end of a full disk counts from the end, on a
// larger card and on a smaller one; no acceptance is needed.
func TestTailThatRepeatsTheHead(t *testing.T) {
	const n = 9000
	d := mirrored(n)
	p, err := truthful(t, d, Wishes{Target: plan.Size{Sectors: n + 501}})
	if err != nil {
		t.Fatal(err)
	}
	last := p.Pieces[len(p.Pieces)-1]
	if !hasCode(p.Findings, "tail-by-copy") || last.Op != layout.Copy || last.End() != n+501 || last.From+last.Count != n {
		t.Errorf("%+v, %v", last, p.Findings)
	}
}

// A copy that would be left behind is asked about, by its code.
func TestCopyLeftBehind(t *testing.T) {
	const n = 9000
	d := mirrored(n)
	for _, tail := range []Tail{TailSamePlace, TailDrop} {
		w := Wishes{Target: plan.Size{Sectors: n + 501}, Tail: tail}
		_, err := truthful(t, d, w)
		r := IsRefused(err)
		if r == nil || !hasCode(r.Need, "copy-left-behind") {
			t.Fatalf("--tail %s: %v", tail, err)
		}
		for _, f := range r.Need {
			w.Accept = append(w.Accept, f.Code)
		}
		p, err := truthful(t, d, w)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(p.Findings, func(f disk.Finding) bool { return f.Code == "copy-left-behind" })
		if i < 0 || !p.Findings[i].Accepted {
			t.Errorf("%v", p.Findings)
		}
	}
}

// On a card of the same size nothing is asked: it is a copy.
func TestTruthsOnTheSameSize(t *testing.T) {
	d := mirrored(9000)
	p, err := truthful(t, d, Wishes{Target: plan.Size{Sectors: 9000}})
	if err != nil || len(p.Pieces) != 1 {
		t.Errorf("%v, %v", p, err)
	}
}

// A copy that the rules do not speak of, in the middle of the disk, where no comparison
// looks, is asked about too: what one disk shows may be chance, and does not forbid a card.
func TestCopyBesideRules(t *testing.T) {
	const n, size = 40_000, 50_000
	d := imagetest.New(n, 512)
	disks.Noise(d, at(0, 4), 1)
	b := sector(d, 0)
	binary.BigEndian.PutUint32(b[64:], n)
	d.Put(0, b)
	d.Put(n/2, b)
	r := &compare.Rules{SectorSize: 512, Sizes: []disk.Sector{n}, Head: 4, Tail: 4, Fields: []compare.Field{{
		Place: candidate.Place{From: layout.FromStart, Byte: 64}, Class: compare.Size, Width: 4, Bits: 99,
		Ways: []compare.Way{{Byte: 64, Encoding: "be32", Formulas: []compare.Formula{{Times: 1, Of: 1, Per: 1}}}},
	}}}
	w := Wishes{Target: plan.Size{Sectors: size}, Rules: r}
	_, err := truthful(t, d, w)
	if refused := IsRefused(err); refused == nil || len(refused.Why) > 0 || !hasCode(refused.Need, "copy-left-behind") {
		t.Fatalf("%v", err)
	}
	w.Accept = []disk.Code{disk.CopyLeftBehind}
	if _, err := truthful(t, d, w); err != nil {
		t.Error(err)
	}
}
