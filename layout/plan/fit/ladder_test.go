package fit

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/rule/compare/family"
	"bootgraft/layout/scan"
)

// unknownDisk is a disk that nobody knows: a head that names its size twice,
// a last sector in sector 3, and a tail.
func unknownDisk() (*imagetest.Disk, []layout.Field) {
	const n = 40_000
	d := imagetest.New(n, 512)
	disks.Noise(d, at(0, 20), 1)
	disks.Noise(d, at(n-10, 10), 2)
	number := func(sector disk.Sector, v uint32) {
		b := make([]byte, 512)
		copy(b, "INVENTED")
		binary.BigEndian.PutUint32(b[64:], v)
		d.Put(sector, b)
	}
	number(2, n)
	number(3, n-1)
	number(4, n)
	d.Put(n-3, sector(d, 4)) // a copy that nobody told us about
	field := func(sector disk.Sector, v uint64, chance float64, law *layout.Law) layout.Field {
		return layout.Field{Sector: sector, Offset: 64, Width: 4, Encoding: "be32", Value: v, ByChance: chance, Law: law}
	}
	size, last := &layout.Law{Times: 1, Of: 1, Per: 1}, &layout.Law{Times: 1, Of: 1, Per: 1, Add: -1}
	return d, []layout.Field{field(4, n, 0.5, size), field(3, n-1, 0.01, last), field(2, n, 0.001, size),
		field(9, 12345, 0.1, nil)}
}

// sector reads one sector.
func sector(src image.Source, x disk.Sector) []byte {
	b, err := image.ReadSectors(src, at(x, 1))
	if err != nil {
		panic(err)
	}
	return b
}

func tryRung(t *testing.T, n disk.Sector, try int) (*plan.Plan, image.Source, error) {
	t.Helper()
	src, fields := unknownDisk()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := Plan(context.Background(), src, s, Wishes{Target: plan.Size{Sectors: n, SectorSize: 512}, Try: try,
		Fields: fields})
	return p, src, err
}

func rungs(findings []disk.Finding) (this string, further []string) {
	for _, f := range findings {
		switch f.Code {
		case "this-try":
			this += f.Text[:5]
		case "further-try":
			further = append(further, f.Text[:5])
		}
	}
	return this, further
}

// TestLadder: verbatim first, then all that one drive suggests, then the tail alone
// and the head alone, then one number at a time, the least likely by chance first;
// what is not a number of the size is no try, and what is refused is none.
func TestLadder(t *testing.T) {
	p, _, err := tryRung(t, 50_000, 0)
	if err != nil {
		t.Fatal(err)
	}
	this, further := rungs(p.Findings)
	if this != "try 1" || !slices.Equal(further, []string{"try 2", "try 3", "try 4"}) {
		t.Errorf("this is %q, then %q: %v", this, further, p.Findings)
	}
	if slices.Contains(p.Reasons(), layout.WhyRule) {
		t.Error("the first try changes something")
	}
	p, src, err := tryRung(t, 50_000, 4)
	if err != nil {
		t.Fatal(err)
	}
	if this, _ := rungs(p.Findings); this != "try 4" {
		t.Errorf("this is %q", this)
	}
	made := 0
	for _, q := range p.Pieces {
		if q.Op != layout.Render {
			continue
		}
		made++
		if q.Span != at(3, 1) {
			t.Errorf("sectors %s are made new", q.Span)
		}
		b := make([]byte, 512)
		if _, err := p.Rendered.ReadAt(b, 0); err != nil {
			t.Fatal(err)
		}
		want := sector(src, 3)
		binary.BigEndian.PutUint32(want[64:], 49_999)
		if string(b) != string(want) {
			t.Error("try 4 is not the last sector alone")
		}
	}
	if made != 1 {
		t.Errorf("%d pieces are made new, want 1", made)
	}
}

// TestLadderRefuses a try that does not exist, such as that of a candidate whose
// sector is repeated elsewhere, and a try where nothing is unknown.
func TestLadderRefuses(t *testing.T) {
	_, _, err := tryRung(t, 50_000, 5)
	if refused := IsRefused(err); refused == nil ||
		!slices.Contains(imagetest.Codes(refused.Why), string(disk.NoSuchTry)) {
		t.Errorf("try 5: %v", err)
	}
	if _, err := planRules(t, withTail(), 30_000, Wishes{Try: 1}); err == nil ||
		!strings.Contains(err.Error(), "no-ladder") {
		t.Errorf("a disk with a table: %v", err)
	}
	p, err := planRules(t, withTail(), 30_000, Wishes{})
	if err != nil {
		t.Fatal(err)
	}
	if this, further := rungs(p.Findings); this != "" || further != nil {
		t.Errorf("a disk with a table has a ladder: %q %q", this, further)
	}
}

// TestOtherReadingsAreTries: two sizes leave several values for the clusters of
// A; each of them is a try, and the device takes one.
func TestOtherReadingsAreTries(t *testing.T) {
	f := family.Named()[0]
	r := rulesOf(t, f, []disk.Sector{300_001, 1_108_800}, 0x220)
	src := unit(f, 300_001, 1)
	n := disk.Sector(1_130_000)
	for differentCards(t, r, src, n) < 2 {
		n++
	}
	started, seen := 0, map[string]bool{}
	for try := 2; ; try++ {
		p, err := planRules(t, src, n, Wishes{Rules: r, Try: try,
			Accept: []disk.Code{"rules-undecided"}[:min(1, 3-min(try, 3))]})
		if refused := IsRefused(err); refused != nil && slices.Contains(imagetest.Codes(refused.Why), "no-such-try") {
			break
		}
		if err != nil {
			t.Fatalf("try %d: %v", try, err)
		}
		c, err := card.New(p, src)
		if err != nil {
			t.Fatal(err)
		}
		if f.Check(c) == nil {
			started++
		}
		b := string(sector(c, 0))
		if seen[b] {
			t.Errorf("try %d is one that was made before", try)
		}
		seen[b] = true
	}
	if started != 1 || len(seen) < 2 {
		t.Errorf("%d of %d tries start, want one", started, len(seen))
	}
}

// differentCards counts the cards of n sectors that the tries of rules make.
func differentCards(t *testing.T, r *compare.Rules, src image.Source, n disk.Sector) int {
	t.Helper()
	seen := map[string]bool{}
	for _, try := range r.Tries(n, false) {
		out, err := compare.Apply(try.Rules, src, n)
		if err != nil {
			t.Fatal(err)
		}
		seen[fmt.Sprint(out.Sectors)] = true
	}
	return len(seen)
}

// TestFormulaOf: a number is tried by its law, and only if the law gives it.
func TestFormulaOf(t *testing.T) {
	const n = 39_070_080
	law := &layout.Law{Times: 1, Of: 1, Per: 945, Plus: -1}
	f := layout.Field{Width: 4, Encoding: "le32", Value: 41_342, Law: law} // 39,070,080 / 945 = 41,344.0 less one: 41,343
	if g, ok := formulaOf(f, n); ok {
		t.Errorf("%d is %s", f.Value, g)
	}
	f.Value = 41_343
	if g, ok := formulaOf(f, n); !ok || g.String() != "floor(N / 945) - 1" {
		t.Errorf("%d is %s, %v", f.Value, g, ok)
	}
	for _, f := range []layout.Field{
		{Width: 4, Encoding: "le32", Value: n}, {Width: 4, Encoding: "le64", Value: 41_343, Law: law},
		{Width: 4, Encoding: "roman", Value: 41_343, Law: law},
	} {
		if g, ok := formulaOf(f, n); ok {
			t.Errorf("%+v is %s", f, g)
		}
	}
}

// TestLadderOfOneDrive: a header with N, N - 8 and a CRC-32 over them (IEEE 802.3),
// and a copy of it in the last sector. The try of all that this drive suggests is
// what a device of this model makes of the card, copy and checksum included.
func TestLadderOfOneDrive(t *testing.T) {
	const n, size = 39_070_080, 31_266_816
	build := func(n disk.Sector) *imagetest.Disk {
		d := imagetest.New(n, 512)
		b := make([]byte, 512)
		copy(b, "INVENTED RECORDER, MODEL FOR ONE DRIVE ALONE 1.00")
		disks.Noise(d, at(40, 4), 7)
		copy(b[128:], sector(d, 40)[:256])
		binary.BigEndian.PutUint32(b[64:], uint32(n))
		binary.BigEndian.PutUint32(b[72:], uint32(n-8))
		binary.LittleEndian.PutUint32(b[508:], crc32.ChecksumIEEE(b[:508]))
		d.Put(0, b)
		d.Put(n-1, b)
		disks.Noise(d, at(n-8, 7), 8) // what the second number points to
		return d
	}
	src := build(n)
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	areas := []candidate.Area{{Span: at(0, 64), From: layout.FromStart}, {Span: at(n-64, 64), From: layout.FromEnd}}
	report, err := candidate.Look(context.Background(), src, areas)
	if err != nil {
		t.Fatal(err)
	}
	want, started := build(size), 0
	for try := 1; ; try++ {
		w := Wishes{Target: plan.Size{Sectors: size, SectorSize: 512}, Invariants: report.Invariants(), Fields: report.Fields,
			Try: try}
		w.Accept = []disk.Code{disk.CopyLeftBehind}
		p, err := Plan(context.Background(), src, s, w)
		if refused := IsRefused(err); refused != nil &&
			slices.Contains(imagetest.Codes(refused.Why), string(disk.NoSuchTry)) {
			if started == 0 || try < 4 {
				t.Errorf("no try of %d starts: %v", try-1, report.Fields)
			}
			return
		}
		if err != nil {
			t.Errorf("try %d is listed, and refused: %v", try, err)
			continue
		}
		c, err := card.New(p, src)
		if err != nil {
			t.Fatal(err)
		}
		if string(sector(c, 0)) == string(sector(want, 0)) && string(sector(c, size-1)) == string(sector(want, size-1)) {
			started++
		}
	}
}

// TestNoTryTwice: where nothing lies at the end, what becomes of the tail is no try, and
// neither is a number of which a rule says that it is a copy of another.
func TestNoTryTwice(t *testing.T) {
	const n, size = 400_000, 500_000
	head := imagetest.New(n, 512)
	disks.Noise(head, at(0, 4), 1)
	copied := imagetest.New(n, 512)
	disks.Noise(copied, at(0, 1), 1)
	b := sector(copied, 0)
	binary.BigEndian.PutUint32(b[64:], n)
	copied.Put(0, b)
	copied.Put(n-1, b)
	place := candidate.Place{From: layout.FromStart, Byte: 64}
	rules := &compare.Rules{SectorSize: 512, Sizes: []disk.Sector{n}, Head: 4, Tail: 4,
		Fields: []compare.Field{{Place: place, Class: compare.Size, Width: 4, Bits: 99,
			Ways: []compare.Way{{Byte: 64, Encoding: "be32", Formulas: []compare.Formula{{Times: 1, Of: 1, Per: 1}}}}}},
		Copies: []compare.CopyRule{{Repeat: candidate.Repeat{Of: place.SectorStart(),
			To: candidate.Place{From: layout.FromEnd, Sector: 1}, Count: 1, Order: image.Plain}}}}
	fields := []layout.Field{{Sector: n - 1, Offset: 64, Width: 4, Encoding: "be32", Value: n, ByChance: 1e-5,
		Law: &layout.Law{Times: 1, Of: 1, Per: 1}}}
	for _, c := range []struct {
		src  image.Source
		w    Wishes
		want int // tries
	}{{head, Wishes{}, 1}, {copied, Wishes{Rules: rules, Fields: fields}, 2}} {
		c.w.Target = plan.Size{Sectors: size, SectorSize: 512}
		s, err := scan.Run(context.Background(), c.src, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		p, err := Plan(context.Background(), c.src, s, c.w)
		if err != nil {
			t.Fatal(err)
		}
		if _, further := rungs(p.Findings); len(further)+1 != c.want {
			t.Errorf("%d tries, want %d: %v", len(further)+1, c.want, p.Findings)
		}
	}
}

// besideAVolume is a disk with a table, a FAT volume, and in the gap before it a system
// area of the device: the sectors of the disk in sector 4, and in a copy of it at the end.
func besideAVolume() *imagetest.Disk {
	const n = 1008 * 1590
	d := imagetest.New(n, 512)
	disks.MBR(d, entry(63, 15000))
	disks.FAT(d, at(63, 9000), 0, 3000)
	b := make([]byte, 512)
	copy(b, "RACK UNIT 7")
	binary.BigEndian.PutUint32(b[64:], n)
	d.Put(4, b)
	d.Put(n-1, b)
	return d
}

// TestNumbersBesideVolumesAreTried: a known table says nothing of a number in the gap
// before its volume. That it stays as it is is one try, that it follows is another.
func TestNumbersBesideVolumesAreTried(t *testing.T) {
	d := besideAVolume()
	s, err := scan.Run(context.Background(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []disk.Sector{2_001_888, 1_502_888} {
		w := Wishes{Target: plan.Size{Sectors: n, SectorSize: 512}}
		if err := w.LookOutside(context.Background(), d, s); err != nil {
			t.Fatal(err)
		}
		p, err := Plan(context.Background(), d, s, w)
		if err != nil {
			t.Fatal(err)
		}
		this, further := rungs(p.Findings)
		if this != "try 1" || len(further) == 0 || slices.Contains(p.Reasons(), layout.WhyRule) {
			t.Errorf("%d sectors: %q, then %q, %v", n, this, further, p.Reasons())
		}
		w.Try = 2
		if p, err = Plan(context.Background(), d, s, w); err != nil {
			t.Fatal(err)
		}
		c, err := card.New(p, d)
		if err != nil {
			t.Fatal(err)
		}
		want := sector(d, 4)
		binary.BigEndian.PutUint32(want[64:], uint32(n))
		for _, at := range []disk.Sector{4, n - 1} {
			if string(sector(c, at)) != string(want) {
				t.Errorf("%d sectors, try 2: sector %d does not hold the size of the card", n, at)
			}
		}
		if again, err := scan.Run(context.Background(), c, scan.Options{}); err != nil || len(again.Volumes) != len(s.Volumes) {
			t.Errorf("%d sectors, try 2: the volume is gone: %v", n, err)
		}
	}
}
