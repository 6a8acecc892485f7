package compare

import (
	"bytes"
	"encoding/binary"
	"reflect"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare/family"
	"bootgraft/layout/rule/compare/fleet"
)

// What is called proved, decided or asked is so on every way that rules take: into a file
// and back, to a card, and to the list of a comparison.

func plainField(at int, count Count) Field {
	return Field{Place: candidate.Place{From: layout.FromStart, Byte: at}, Class: Size, Width: 4, Bits: 60,
		Ways: []Way{{at, "le32", []Formula{{Count: count, Times: 1, Of: 1, Per: 1}}, 1}}}
}

// TestOldFilesDoubtWhatCountsAlone: forms 1 and 2, and form 3 before it was so, did not
// keep that a number counts with another size than the others; it can be seen in the file.
func TestOldFilesDoubtWhatCountsAlone(t *testing.T) {
	r := &Rules{SectorSize: 512, Sizes: []disk.Sector{100_000, 200_000, 300_001}, Head: 8,
		Counts: []Count{{Whole: 1008}, {Whole: 504}},
		Fields: []Field{plainField(64, Count{Whole: 1008}), plainField(80, Count{Whole: 504})}}
	back, err := Decode(bytes.NewReader(encoded(t, r)))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []State{Proved, Undecided} {
		if s := back.State(&back.Fields[i]); s != want {
			t.Errorf("%s is %s, want %s", r.Fields[i].Place, s, want)
		}
	}
	// The size that is likeliest for a card can be that of the other number.
	back.Counts[0], back.Counts[1] = back.Counts[1], back.Counts[0]
	if a, err := back.Answer(&back.Fields[0], 250_000); err != nil || a.State != Undecided {
		t.Errorf("%s is %s where the other size is likelier, %v", back.Fields[0].Place, a.State, err)
	}
}

// TestBitsAreReadBack: what is a proof, or a weak number, is so after it was written.
func TestBitsAreReadBack(t *testing.T) {
	compared := map[string]*Comparison{}
	for _, f := range []*family.Family{family.Random(700_003), family.Strange(700_007)} {
		compared[f.Name] = compareFamily(t, f, family.Sizes(3, 4))
	}
	for name, c := range compared {
		c.WrittenBy = "1.0"
		back, err := Decode(bytes.NewReader(encoded(t, &c.Rules)))
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Fields) == 0 || !reflect.DeepEqual(back.Fields, c.Fields) || !reflect.DeepEqual(back.Checks, c.Checks) {
			t.Errorf("%s: numbers or checksums are others after they were read back", name)
		}
	}
}

// TestWhatFollowsFromADoubt: a number is no surer than that which it follows from.
func TestWhatFollowsFromADoubt(t *testing.T) {
	base, after := plainField(64, Count{}), plainField(80, Count{})
	after.On = &base.Place
	r := &Rules{SectorSize: 512, Sizes: []disk.Sector{100_000, 200_000, 300_001}, Head: 8, Fields: []Field{base, after}}
	for doubt, want := range map[string]State{"": Proved, "a byte beside it differs": Undecided} {
		r.Fields[0].Doubt = doubt
		if a, err := r.Answer(&r.Fields[1], 250_000); err != nil || a.State != want || !a.Alone {
			t.Errorf("doubt %q: %s (%s), %v; want %s", doubt, a.State, a.Why, err, want)
		}
		if known := r.Known(&r.Fields[1]); known != string(want) {
			t.Errorf("doubt %q: %s whatever the card, want %s", doubt, known, want)
		}
	}
	r.Fields[0].Doubt = ""
	r.Fields[0].Ways[0].Formulas = append(r.Fields[0].Ways[0].Formulas, Formula{Times: 8, Of: 1, Per: 8})
	if known := r.Known(&r.Fields[1]); known != "proved where its readings agree" {
		t.Errorf("%s, and the number that it follows from has two readings", known)
	}
	r.Fields[0] = base
	r.Fields[0].Doubt = "a byte beside it differs"
	src := imagetest.New(100_000, 512)
	headOf(src, 64, binary.LittleEndian.AppendUint32(nil, 100_000))
	b := make([]byte, 512)
	for _, at := range []int{64, 80} {
		binary.LittleEndian.PutUint32(b[at:], 100_000)
	}
	src.Put(0, b)
	out, err := Apply(r, src, 250_000)
	if err != nil || len(out.Undecided) != 1 || out.Undecided[0].Byte != 64 {
		t.Errorf("%v, %v; want to be asked about the first number alone, which decides the other", out, err)
	}
}

// TestSourceContradictsTheRules: a source that follows none of the readings of a number
// which is decided for the card, or whose checksum is wrong, is no original of the model.
func TestSourceContradictsTheRules(t *testing.T) {
	f := plainField(64, Count{})
	f.Ways[0].Formulas = append(f.Ways[0].Formulas, Formula{Times: 1000, Of: 1, Per: 1000})
	place := candidate.Place{From: layout.FromStart, Byte: 508}
	sum := Check{Place: place, Width: 4, Bits: 60, Ways: []SumWay{{Sum: "sum32-le", Encoding: "le32", Byte: 508,
		Start: place.SectorStart(), Count: 508, Order: 1}}}
	r := &Rules{SectorSize: 512, Sizes: []disk.Sector{100_000, 200_000, 300_000}, Head: 8, Fields: []Field{f},
		Checks: []Check{sum}}
	for _, c := range []struct {
		number, sum uint32
		why         string
	}{
		{100_500, 100_500, ""}, {100_000, 100_000, ""},
		{100_123, 100_123, "the rules say"}, {100_500, 7, "checksum"},
	} {
		b := make([]byte, 512)
		binary.LittleEndian.PutUint32(b[64:], c.number)
		binary.LittleEndian.PutUint32(b[508:], c.sum)
		src := imagetest.New(100_500, 512)
		src.Put(0, b)
		out, err := Apply(r, src, 250_000)
		if c.why == "" && (err != nil || len(out.Undecided) > 0) || c.why != "" && (err == nil ||
			!strings.Contains(err.Error(), c.why)) {
			t.Errorf("%d, sum %d: %v", c.number, c.sum, err)
		}
	}
}

// TestSumWithoutACarry: the sum of the words of a sector, in the other byte order, is the
// one number in it and a constant where no byte carries into the next: it is not proved to
// be that on a card where one does.
func TestSumWithoutACarry(t *testing.T) {
	m := fleet.Random(910_041)
	sizes := []disk.Sector{15_564_800, 11_625_264, 40_101_264, 2_116_800}
	c := compareFleet(t, m, sizes)
	sum := &tally{}
	for _, n := range []disk.Sector{7_864_320, 7_774_208} {
		provedFleet(t, m, c, n, sum)
	}
	if len(c.Fields) < 3 {
		t.Errorf("%d numbers: the sum is none of them, and nothing is tested", len(c.Fields))
	}
}
