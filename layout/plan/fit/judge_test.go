package fit

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan"
)

// TestATryThatThePlannerRefusesIsNotListed: a number at the end is a try of the tail,
// which its owner keeps where it was; the rules could make it, the plan cannot.
func TestATryThatThePlannerRefusesIsNotListed(t *testing.T) {
	src, fields := unknownDisk()
	const n = 40_000
	f := fields[2]
	f.Sector = n - 5
	own := sector(src, 2)
	copy(own, "INVENTED TAIL")
	src.Put(n-5, own)
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	w := Wishes{Target: plan.Size{Sectors: 50_000, SectorSize: 512}, Fields: []layout.Field{f, fields[1], fields[3]},
		Tail: TailSamePlace}
	p, err := Plan(context.Background(), src, s, w)
	if err != nil {
		t.Fatal(err)
	}
	if _, further := rungs(p.Findings); !slices.Equal(further, []string{"try 2"}) {
		t.Errorf("further tries are %q: %v", further, p.Findings)
	}
	none := noTries(p.Findings)
	for _, want := range []string{"refused: rules-tail: every number that may follow the size does; sector 39995, byte " +
		"64, be32 = 40000", "sector 9, byte 64, be32 = 12345"} {
		if !strings.Contains(none, want) {
			t.Errorf("%q is not said: %s", want, none)
		}
	}
	w.Tail, w.Try = TailEnd, 2
	if _, err := Plan(context.Background(), src, s, w); err != nil {
		t.Errorf("with the tail at the end it is a try: %v", err)
	}
}

// noTries returns what is said of numbers that are no try.
func noTries(findings []disk.Finding) (text string) {
	for _, f := range findings {
		if f.Code == disk.NoTry {
			text += f.Text + "\n"
		}
	}
	return text
}

// countingDrive keeps its size as devices with other geometries do: whole cylinders
// of 255 heads and 63 sectors, cylinders of 15 heads beside heads and sectors, and
// units of 18 sectors from sector 32 on, where its first area starts.
func countingDrive(n disk.Sector) *imagetest.Disk {
	d := imagetest.New(n, 512)
	b := make([]byte, 512)
	copy(b, "INVENTED RECORDER THAT COUNTS IN MANY WAYS")
	binary.LittleEndian.PutUint32(b[64:], uint32(n/16065*16065))
	binary.LittleEndian.PutUint16(b[80:], uint16(n/945))
	binary.LittleEndian.PutUint16(b[82:], 15)
	binary.LittleEndian.PutUint16(b[84:], 63)
	binary.LittleEndian.PutUint32(b[96:], uint32((n-32)/18))
	d.Put(0, b)
	disks.Noise(d, at(8, 24), 9) // after it nothing: there the first area starts
	return d
}

// look surveys a disk and what lies outside its volumes.
func look(t *testing.T, src *imagetest.Disk) (*layout.Map, *candidate.Report) {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	areas := []candidate.Area{{Span: at(0, 512), From: layout.FromStart},
		{Span: at(s.Sectors-512, 512), From: layout.FromEnd}}
	report, err := candidate.Look(context.Background(), src, areas)
	if err != nil {
		t.Fatal(err)
	}
	return s, report
}

// TestTheLadderSaysWhatTheSurveySays: whatever the survey calls a number, the try of
// it writes what the device writes on a card of another size.
func TestTheLadderSaysWhatTheSurveySays(t *testing.T) {
	for at, n := range map[int]disk.Sector{64: 39_102_336, 80: 39_102_336, 96: 488_397_168} {
		if !triesWrite(t, n, n/5*4+3, at) {
			t.Errorf("%d sectors: no try writes what the device does at byte %d", n, at)
		}
	}
}

// triesWrite tells whether a try for a card of size sectors writes what the counting
// drive has at some byte.
func triesWrite(t *testing.T, n, size disk.Sector, at int) bool {
	src, want := countingDrive(n), sector(countingDrive(size), 0)
	s, report := look(t, src)
	for try := 2; ; try++ {
		w := Wishes{Target: plan.Size{Sectors: size, SectorSize: 512}, Invariants: report.Invariants(), Fields: report.Fields,
			Try: try}
		p, err := Plan(context.Background(), src, s, w)
		if IsRefused(err) != nil {
			return false
		}
		if err != nil {
			t.Fatal(err)
		}
		c, err := card.New(p, src)
		if err != nil {
			t.Fatal(err)
		}
		have, old := sector(c, 0), sector(src, 0)
		if string(have[at:at+4]) == string(want[at:at+4]) && string(have[at:at+4]) != string(old[at:at+4]) {
			return true
		}
	}
}

// TestEveryCandidateIsATryOrSaysWhyNot: each number that the survey shows is one of
// the tries, or among those that are none.
func TestEveryCandidateIsATryOrSaysWhyNot(t *testing.T) {
	shown := 0
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 0x7A1))
		n := disk.Sector(1008 * (2000 + r.IntN(38_000)))
		src := countingDrive(n)
		b := make([]byte, 512)
		copy(b, "INVENTED SECOND SECTOR")
		for i := range 8 {
			start := disk.Sector(32)
			v := []disk.Sector{n, n - 1, n / 64, n - start, n - 8, start, n / 2 * 512}[r.IntN(7)]
			binary.BigEndian.PutUint32(b[64+16*i:], uint32(v))
		}
		src.Put(2, b)
		src.Put(n-disk.Sector(1+r.IntN(8)), b)
		s, report := look(t, src)
		target := plan.Size{Sectors: n - disk.Sector(1+r.IntN(int(n/4))), SectorSize: 512}
		w := Wishes{Target: target, Invariants: report.Invariants(), Fields: report.Fields}
		p, err := Plan(context.Background(), src, s, w)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		text := noTries(p.Findings)
		for _, f := range p.Findings {
			if f.Code == disk.FurtherTry {
				text += f.Text + "\n"
			}
		}
		for _, f := range report.Fields {
			place := candidate.Place{From: layout.FromStart, Sector: f.Sector, Byte: f.Offset}
			end := candidate.Place{From: layout.FromEnd, Sector: n - f.Sector, Byte: f.Offset}
			said := []string{fmt.Sprintf("%s, %s", place, f.Encoding), fmt.Sprintf("%s, %s", end, f.Encoding)}
			if !slices.ContainsFunc(said, func(x string) bool { return strings.Contains(text, x) }) {
				t.Errorf("seed %d: %+v is shown, and is no try without a word:\n%s", seed, f, text)
			}
			shown++
		}
	}
	if shown < 40 {
		t.Errorf("only %d numbers are shown", shown)
	}
}

// TestWeakNumbersTogetherAreATry: two numbers of few digits that say no more than
// chance stay as they are, and one try has both: a device that reads both starts
// with neither alone.
func TestWeakNumbersTogetherAreATry(t *testing.T) {
	build := func(n disk.Sector) *imagetest.Disk {
		d := imagetest.New(n, 512)
		b := make([]byte, 512)
		copy(b, "INVENTED UNIT OF FEW DIGITS")
		binary.LittleEndian.PutUint16(b[64:], uint16(n/10_000))
		binary.LittleEndian.PutUint16(b[80:], uint16(n/5_000))
		d.Put(0, b)
		return d
	}
	r := &compare.Rules{SectorSize: 512, Sizes: []disk.Sector{40_000, 50_000}, Head: 8, Tail: 8}
	for i, per := range []int64{10_000, 5_000} {
		at := candidate.Place{From: layout.FromStart, Byte: 64 + 16*i}
		way := compare.Way{Byte: at.Byte, Encoding: "le16", Formulas: []compare.Formula{{Times: 1, Of: 1, Per: per}}}
		r.Fields = append(r.Fields, compare.Field{Place: at, Class: compare.Size, Width: 2, Bits: -3,
			Ways: []compare.Way{way}})
	}
	const card = 70_000
	p, err := planRules(t, build(40_000), card, Wishes{Rules: r, Try: 3})
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Rendered; got == nil {
		t.Fatalf("nothing is made new: %v", p.Findings)
	}
	b := make([]byte, 512)
	if _, err := p.Rendered.ReadAt(b, 0); err != nil {
		t.Fatal(err)
	}
	if string(b) != string(sector(build(card), 0)) {
		t.Errorf("% x % x is not what the device writes", b[64:66], b[80:82])
	}
}
