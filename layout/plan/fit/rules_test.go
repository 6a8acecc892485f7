package fit

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	skip "bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/rule/compare/family"
	"bootgraft/layout/scan"
)

// unit is the disk of one unit of a family.
func unit(f *family.Family, n disk.Sector, serial uint64) *imagetest.Disk {
	return f.Disk(n, family.Unit{Serial: serial, Clock: serial, Songs: serial})
}

// rulesOf compares units of the given sizes, the first size twice.
func rulesOf(t *testing.T, f *family.Family, sizes []disk.Sector, area disk.Sector) *compare.Rules {
	t.Helper()
	var dumps []compare.Dump
	for i, n := range append(slices.Clone(sizes), sizes[0]) {
		dumps = append(dumps, compare.Dump{Name: fmt.Sprint(i), Source: unit(f, n, uint64(i+1))})
	}
	c, err := compare.Run(context.Background(), dumps, compare.Options{Head: area, Tail: area})
	if err != nil {
		t.Fatal(err)
	}
	return &c.Rules
}

// decided compares up to five sizes, until a card of n sectors is decided.
func decided(t *testing.T, f *family.Family, sizes []disk.Sector, n disk.Sector, offered []disk.Sector) *compare.Rules {
	t.Helper()
	for {
		r := rulesOf(t, f, sizes, 64)
		if r.For(n).Undecided == 0 || len(sizes) == 5 {
			return r
		}
		sizes = append(sizes, r.Advise(n, offered)[0].Size)
	}
}

// planRules plans a card of n sectors by rules.
func planRules(t *testing.T, src image.Source, n disk.Sector, w Wishes) (*plan.Plan, error) {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	w.Target = plan.Size{Sectors: n, SectorSize: src.SectorSize()}
	return Plan(context.Background(), src, s, w)
}

// planned plans and opens the card.
func planned(t *testing.T, src image.Source, n disk.Sector, w Wishes) (*plan.Plan, *card.Card) {
	t.Helper()
	p, err := planRules(t, src, n, w)
	if err != nil {
		t.Fatalf("for %d sectors: %v", n, err)
	}
	c, err := card.New(p, src)
	if err != nil {
		t.Fatal(err)
	}
	return p, c
}

// TestRulesMakeCardsThatStart: named devices take a card that was planned by
// the rules, larger or smaller, and refuse one that was planned without.
func TestRulesMakeCardsThatStart(t *testing.T) {
	t.Parallel()
	for _, f := range family.Named() {
		r := rulesOf(t, f, family.NamedSizes(), 0x220)
		src := unit(f, family.NamedSizes()[0], 1)
		for _, n := range []disk.Sector{1_130_004, 1_024_003} {
			p, c := planned(t, src, n, Wishes{Rules: r})
			if err := f.Check(c); err != nil {
				t.Errorf("%s, %d sectors: the device refuses the card: %v", f.Name, n, err)
			}
			if !slices.Contains(p.Reasons(), layout.WhyRule) {
				t.Errorf("%s: nothing was made by a rule", f.Name)
			}
			_, c = planned(t, src, n, Wishes{})
			if err := f.Check(c); err == nil {
				t.Errorf("%s: the device takes a card that names the old size", f.Name)
			}
		}
	}
}

// TestRandomFamiliesStartFromPlannedCards: three to five sizes, the last as the
// advice asked for, then a card of a size never seen. Whatever is planned
// without asking starts; nothing undecided goes through unasked.
func TestRandomFamiliesStartFromPlannedCards(t *testing.T) {
	t.Parallel()
	asked := 0
	seeds := skip.Seeds(6, 200)
	for _, seed := range seeds {
		f := family.Random(seed)
		all := family.Sizes(seed, 104)
		n, src := all[3], unit(f, all[0], 1)
		p, err := planRules(t, src, n, Wishes{Rules: decided(t, f, all[:3:3], n, all[4:])})
		if refused := IsRefused(err); refused != nil && len(refused.Why) == 0 {
			asked++
			if codes := imagetest.Codes(refused.Need); !slices.Contains(codes, "rules-undecided") {
				t.Errorf("%s asks for %v", f.Name, codes)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", f.Name, err)
			continue
		}
		c, err := card.New(p, src)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.Check(c); err != nil {
			t.Errorf("%s: the device refuses the card: %v", f.Name, err)
		}
	}
	if asked*100 > 2*len(seeds) {
		t.Errorf("%d of %d families asked", asked, len(seeds))
	}
}

// TestRulesAreRefused: each reason why rules cannot make a card.
func TestRulesAreRefused(t *testing.T) {
	f := family.Named()[1] // copies at the end in reverse order
	r := rulesOf(t, f, family.NamedSizes(), 0x220)
	src := unit(f, family.NamedSizes()[0], 1)
	field := func(v compare.Formula, class compare.Class) *compare.Rules {
		less := *r
		less.Fields = slices.Clone(r.Fields)
		g := less.Fields[0]
		g.Class, g.Ways = class, []compare.Way{{Byte: g.Byte, Encoding: g.Ways[0].Encoding, Formulas: []compare.Formula{v}}}
		less.Fields[0] = g
		return &less
	}
	for _, x := range []struct {
		name string
		src  image.Source
		n    disk.Sector
		w    Wishes
		code string
	}{
		{"the source is no original of the model", src, 1_130_004,
			Wishes{Rules: field(compare.Formula{Times: 1, Of: 1, Per: 1, Min: -7, Max: -7}, compare.Size)}, "rules-source"},
		{"too wide", src, 1 << 33, Wishes{Rules: r}, "rules-too-wide"},
		{"the tail stays, the rules move it", src, 1_130_004, Wishes{Rules: r, Tail: TailSamePlace}, "rules-tail"},
		{"the tail is dropped", src, 1_130_004, Wishes{Rules: r, Tail: TailDrop}, "rules-tail"},
		{"the source does not know what the rules need", image.NewKnown(src, disk.Spans{{Start: 1, Count: 1}}, nil),
			1_130_004, Wishes{Rules: r, Accept: []disk.Code{"missing-in-boot-area"}}, "rules-missing"},
	} {
		_, err := planRules(t, x.src, x.n, x.w)
		refused := IsRefused(err)
		if refused == nil || !slices.Contains(imagetest.Codes(refused.Why), x.code) {
			t.Errorf("%s: want %s, got %v", x.name, x.code, err)
		}
	}
}

// TestCopyOutsideTheRules: a copy that the rules do not know is asked about, with its place,
// and what is to be typed then makes the card.
func TestCopyOutsideTheRules(t *testing.T) {
	f := family.Named()[1] // copies at the end in reverse order
	r := rulesOf(t, f, family.NamedSizes(), 0x220)
	src := unit(f, family.NamedSizes()[0], 1)
	noCopies := *r
	noCopies.Copies = nil
	_, err := planRules(t, src, 1_130_004, Wishes{Rules: &noCopies})
	refused := IsRefused(err)
	if refused == nil || len(refused.Why) > 0 || !hasCode(refused.Need, "copy-left-behind") {
		t.Fatalf("want a question, got %v", err)
	}
	var accept []disk.Code
	for _, q := range refused.Need {
		accept = append(accept, q.Code)
		if q.Code == disk.CopyLeftBehind && q.Sector == disk.NoSector {
			t.Errorf("no place: %s", q.Text)
		}
	}
	if _, err := planRules(t, src, 1_130_004, Wishes{Rules: &noCopies, Accept: accept}); err != nil {
		t.Errorf("everything accepted: %v", err)
	}
}

// TestPointersThatMove: D names the sector of its firmware, counted from the
// end. If that is in use but no part of the tail, its owner is asked.
func TestPointersThatMove(t *testing.T) {
	f := family.Named()[3]
	sizes := family.NamedSizes()
	r := rulesOf(t, f, sizes, 8)
	src := unit(f, sizes[0], 1)
	src.Put(sizes[0]-4096-8, []byte("FIRMWARE"))
	disks.Noise(src, at(sizes[0]-4000, 4000), 9)
	if p, c := planned(t, src, 1_130_004, Wishes{Rules: r}); f.Check(c) != nil || len(p.Findings) == 0 {
		t.Error("the firmware and what follows it are one tail, and move as one")
	}
	far := unit(f, sizes[0], 1)
	far.Put(sizes[0]-4096-8, []byte("FIRMWARE"))
	disks.Noise(far, at(sizes[0]-100, 100), 9)
	_, err := planRules(t, far, 1_130_004, Wishes{Rules: r})
	if refused := IsRefused(err); refused == nil ||
		!slices.Contains(imagetest.Codes(refused.Need), "rules-pointer-moves") {
		t.Errorf("the firmware stays behind: %v", err)
	}
	planned(t, far, 1_130_004, Wishes{Rules: r, Accept: []disk.Code{"rules-pointer-moves"}})
	gone := image.NewKnown(src, disk.NewSpans(at(sizes[0]-4096-8, 1)), nil)
	p, err := planRules(t, gone, 1_130_004, Wishes{Rules: r, Accept: []disk.Code{disk.MissingInBootArea}})
	if err != nil || !slices.Contains(imagetest.Codes(p.Findings), string(disk.RulesPointerUnknown)) {
		t.Errorf("nobody says that what the pointer names is not known: %v, %v", p, err)
	}
}

// TestUndecidedRulesAsk: two sizes do not decide the clusters of A.
func TestUndecidedRulesAsk(t *testing.T) {
	f := family.Named()[0]
	r := rulesOf(t, f, []disk.Sector{300_001, 1_108_800}, 0x220)
	src := unit(f, 300_001, 1)
	_, err := planRules(t, src, 1_130_004, Wishes{Rules: r})
	refused := IsRefused(err)
	if refused == nil || len(refused.Why) > 0 || !slices.Contains(imagetest.Codes(refused.Need), "rules-undecided") {
		t.Fatalf("nobody asks: %v", err)
	}
	if _, err := planRules(t, src, 1_130_004, Wishes{Rules: r, Accept: []disk.Code{"rules-undecided:0/100"}}); err == nil {
		t.Error("what was accepted of another number lets this one pass")
	}
	one, _ := planned(t, src, 1_130_004, Wishes{Rules: r, Accept: []disk.Code{"rules-undecided:0/96"}})
	if slices.Contains(imagetest.Codes(one.Findings), string(disk.AcceptNotNeeded)) {
		t.Errorf("accepted by its place, and not needed: %v", one.Findings)
	}
	p, _ := planned(t, src, 1_130_004, Wishes{Rules: r, Accept: []disk.Code{"rules-undecided"}})
	if !slices.ContainsFunc(p.Findings, func(f disk.Finding) bool { return f.Code == "rules-undecided" && f.Accepted }) {
		t.Error("the plan does not say what was accepted")
	}
	if !slices.ContainsFunc(p.Findings, func(f disk.Finding) bool {
		return f.Code == "rules-carried-identity" && strings.HasPrefix(f.Text, "8 bytes of the class")
	}) {
		t.Errorf("the plan does not say what is carried without a rule: %v", p.Findings)
	}
}

// TestABrokenPlannedCardIsFound: what the rules say is looked for on the card,
// not believed.
func TestABrokenPlannedCardIsFound(t *testing.T) {
	f := family.Named()[1]
	r := rulesOf(t, f, family.NamedSizes(), 0x220)
	src := unit(f, family.NamedSizes()[0], 1)
	p, c := planned(t, src, 1_130_004, Wishes{Rules: r})
	if broken, err := r.Broken(c); err != nil || len(broken) > 0 {
		t.Fatalf("%v %v", broken, err)
	}
	for i, q := range p.Pieces {
		if q.Op != layout.Render {
			continue
		}
		worse := *p
		worse.Pieces = slices.Clone(p.Pieces)
		worse.Pieces[i].Op, worse.Pieces[i].From = layout.Zero, 0
		worse.Rendered = nil
		for j := range worse.Pieces { // no rendered bytes are left to tile
			if worse.Pieces[j].Op == layout.Render {
				worse.Pieces[j].Op, worse.Pieces[j].From = layout.Zero, 0
			}
		}
		spoiled, err := card.New(&worse, src)
		if err != nil {
			t.Fatal(err)
		}
		if broken, err := r.Broken(spoiled); err != nil || len(broken) == 0 {
			t.Errorf("a card without its rendered sectors passes: %v", err)
		}
		return
	}
	t.Error("nothing was rendered")
}

// TestRulesLeaveKnownVolumesAlone: in a volume and in an MBR the planner knows
// better than any rule.
func TestRulesLeaveKnownVolumesAlone(t *testing.T) {
	src := withTail()
	r := &compare.Rules{SectorSize: 512, Head: 100, Tail: 100}
	r.Fields = []compare.Field{
		rule(candidate.Place{From: layout.FromStart, Sector: 0, Byte: 458}), // length of entry 1
		rule(candidate.Place{From: layout.FromStart, Sector: 63, Byte: 32}), // length of the volume
	}
	p, c := planned(t, src, 30_000, Wishes{Rules: r})
	b, err := image.ReadSectors(c, at(0, 64))
	if err != nil {
		t.Fatal(err)
	}
	want, err := image.ReadSectors(src, at(0, 64))
	if err != nil {
		t.Fatal(err)
	}
	if string(b) != string(want) {
		t.Error("a rule changed the table or the volume")
	}
	if !slices.Contains(imagetest.Codes(p.Findings), "rules-in-volume") {
		t.Errorf("nobody says so: %v", p.Findings)
	}
}

func rule(at candidate.Place) compare.Field {
	return compare.Field{Place: at, Class: compare.Size, Width: 4, Bits: 60,
		Ways: []compare.Way{{Byte: at.Byte, Encoding: "le32", Formulas: []compare.Formula{{Times: 1, Of: 1, Per: 1}}}}}
}

// TestSameSizeNeedsNoRules: one piece, whatever the rules say.
func TestSameSizeNeedsNoRules(t *testing.T) {
	f := family.Named()[1]
	r := rulesOf(t, f, family.NamedSizes(), 0x220)
	n := family.NamedSizes()[0]
	p, _ := planned(t, unit(f, n, 1), n, Wishes{Rules: r})
	if len(p.Pieces) != 1 || !slices.Contains(imagetest.Codes(p.Findings), "rules-not-needed") {
		t.Errorf("%v, %v", p.Pieces, p.Findings)
	}
}

// TestTailOfAFullDrive: songs up to the end hide where the tail begins; what is
// the same on all originals tells it.
func TestTailOfAFullDrive(t *testing.T) {
	t.Parallel()
	sizes := []disk.Sector{20_001, 23_000, 27_009, 20_001}
	drive := func(i int, n disk.Sector) *imagetest.Disk {
		d := imagetest.New(n, 512)
		disks.Noise(d, at(10, n-10-20), uint64(i+5))
		disks.Noise(d, at(n-20, 19), 1) // a program, the same everywhere
		b := make([]byte, 512)
		copy(b, "END OF THE INVENTED UNIT")
		for i := range 4 {
			b[40+i] = byte(n >> (8 * i))
		}
		d.Put(n-1, b)
		d.Put(0, b)
		return d
	}
	var dumps []compare.Dump
	for i, n := range sizes {
		dumps = append(dumps, compare.Dump{Name: fmt.Sprint(i), Source: drive(i, n)})
	}
	c, err := compare.Run(context.Background(), dumps, compare.Options{Head: 100, Tail: 100})
	if err != nil {
		t.Fatal(err)
	}
	src := drive(0, sizes[0])
	p, made := planned(t, src, 30_004, Wishes{Rules: &c.Rules})
	if !slices.Contains(imagetest.Codes(p.Findings), "tail-undecided") {
		t.Fatalf("the survey knows the tail: %v", p.Findings)
	}
	if !slices.Contains(imagetest.Codes(p.Findings), string(disk.TailByRules)) {
		t.Errorf("nobody says that the rules know the tail: %v", p.Findings)
	}
	want, err := image.ReadSectors(drive(9, 30_004), at(29_984, 20))
	if err != nil {
		t.Fatal(err)
	}
	have, err := image.ReadSectors(made, at(29_984, 20))
	if err != nil {
		t.Fatal(err)
	}
	if string(have) != string(want) {
		t.Error("the tail of the card is not the one that a device of this size has")
	}
}
