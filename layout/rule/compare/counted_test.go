package compare

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// originals compares disks of some sizes, each of which build fills.
func originals(
	t *testing.T, sizes []disk.Sector, build func(d *imagetest.Disk, n disk.Sector, i int),
) (*Comparison, *imagetest.Disk) {
	t.Helper()
	var dumps []Dump
	for i, n := range sizes {
		d := imagetest.New(n, 512)
		build(d, n, i)
		dumps = append(dumps, Dump{Name: fmt.Sprint(i), Source: d})
	}
	c, err := Run(context.Background(), dumps, Options{Head: 64, Tail: 64})
	if err != nil {
		t.Fatal(err)
	}
	return c, dumps[0].Source.(*imagetest.Disk)
}

// headOf puts a sector with some bytes at 64 into sector 0.
func headOf(d *imagetest.Disk, at int, b []byte) {
	s := make([]byte, 512)
	copy(s, "INVENTED UNIT")
	copy(s[at:], b)
	d.Put(0, s)
}

func be32(v disk.Sector) []byte { return binary.BigEndian.AppendUint32(nil, uint32(v)) }

// wholeDrives are whole cylinders of 16 heads and 63 sectors, as drives are; card
// is a card, which is none.
var wholeDrives = []disk.Sector{6_346_368, 12_594_960, 19_640_880, 39_070_080}

const cardAtHand = 31_266_816

func codes(out *Rendered) []string {
	list := imagetest.Codes(out.Questions)
	for _, u := range out.Undecided {
		list = append(list, string(u.Code))
	}
	return list
}

// TestCutToCylindersFirst: the device wants floor(1008 floor(N / 1008) / 32) =
// 977,067, and drives of whole cylinders say N / 32 as well, 977,088. It is one
// question, also for N itself beside it; the second try is right, and a card that
// is no whole cylinder, made by the device, decides.
func TestCutToCylindersFirst(t *testing.T) {
	build := func(d *imagetest.Disk, n disk.Sector, _ int) {
		s := n / 1008 * 1008
		headOf(d, 64, append(be32(s/32), be32(s)...))
	}
	c, src := originals(t, wholeDrives, build)
	if v := c.For(cardAtHand); v.Proved > 0 {
		t.Errorf("%s: disks of whole cylinders prove nothing for a card that is none", v)
	}
	out, err := Apply(&c.Rules, src, cardAtHand)
	if err != nil || !slices.Equal(codes(out), []string{string(disk.RulesCountedSize)}) {
		t.Fatalf("%v, %v: want one question", codes(out), err)
	}
	for _, want := range []string{
		"All 4 originals are whole cylinders of 1,008 sectors: whether the device counts 31,266,816, 31,266,144",
		"no multiple of", "it does not matter",
	} {
		if !strings.Contains(out.Questions[0].Text, want) {
			t.Errorf("%q is not in %q", want, out.Questions[0].Text)
		}
	}
	right := slices.IndexFunc(c.Tries(cardAtHand, false), func(x Try) bool {
		a, err := x.Rules.Answer(&x.Rules.Fields[0], cardAtHand)
		return err == nil && a.Value == 977_067
	})
	if right < 0 || right > 2 {
		t.Errorf("977,067 is try %d", right+1)
	}
	more := append(slices.Clone(wholeDrives), 61_489_000)
	c, _ = originals(t, more, build)
	for i := range c.Fields {
		if a, err := c.Answer(&c.Fields[i], cardAtHand); err != nil || a.State != Proved || a.Value != 977_067 &&
			a.Value != 31_266_144 {
			t.Errorf("with a card that decides: %+v, %v", a, err)
		}
	}
}

// TestWhereTheEndIs: a copy in the last sector of the last whole cylinder looks
// like one in the last sector on every drive. Where it belongs on a card is asked,
// and the other try puts it there.
func TestWhereTheEndIs(t *testing.T) {
	c, src := originals(t, wholeDrives, func(d *imagetest.Disk, n disk.Sector, _ int) {
		headOf(d, 64, be32(n/1008)) // whichever size counts
		s := make([]byte, 512)
		copy(s, "INVENTED UNIT")
		copy(s[64:], be32(n/1008))
		d.Put(n/1008*1008-1, s)
	})
	out, err := Apply(&c.Rules, src, cardAtHand)
	if err != nil || !slices.Contains(codes(out), string(disk.RulesCountedSize)) {
		t.Fatalf("%v, %v", codes(out), err)
	}
	found := false
	for _, try := range c.Tries(cardAtHand, false) {
		out, err := Apply(try.Rules, src, cardAtHand)
		if err != nil {
			t.Fatal(err)
		}
		found = found || slices.ContainsFunc(out.Sectors,
			func(s RenderedSector) bool { return s.At == cardAtHand/1008*1008-1 })
	}
	if !found {
		t.Error("no try puts the copy into the last cylinder")
	}
}

// TestUnexplained: a number that goes up with the size by no rule asks, a serial
// number does not, and a checksum over the former is not proved.
func TestUnexplained(t *testing.T) {
	build := func(d *imagetest.Disk, n disk.Sector, i int) {
		s := make([]byte, 512)
		copy(s, "INVENTED UNIT")
		copy(s[64:], be32(n))
		copy(s[96:], be32(n/7+n*n%100_003*3)) // goes up, by no rule
		copy(s[128:], be32([]disk.Sector{9_000_111, 2_222_222, 17_777_777, 5_333_333}[i]))
		binary.LittleEndian.PutUint32(s[508:], crc32.ChecksumIEEE(s[:508]))
		d.Put(0, s)
	}
	c, src := originals(t, wholeDrives, build)
	const n = 1008 * 31_000
	out, err := Apply(&c.Rules, src, n)
	if err != nil || !slices.Contains(codes(out), string(disk.RulesUnexplained)) {
		t.Fatalf("%v, %v; %v", codes(out), err, c.Carried)
	}
	if v := c.For(n); v.Unexplained == 0 || v.String() != "1 proved, 1 undecided, 1 unexplained" {
		t.Errorf("%s", v)
	}
	for _, s := range c.Carried {
		if want := map[int]Class{96: Unexplained, 128: Unknown}[s.Byte&^31]; s.Class != want {
			t.Errorf("%v is %s, want %s", s.Place, s.Class, want)
		}
	}
	if len(c.Checks) != 1 || c.Checks[0].State() != Undecided {
		t.Errorf("a checksum over bytes without a rule: %+v", c.Checks)
	}
}

// TestBeyondOriginals: 65,536 cylinders of 16 heads and 63 sectors are as much as
// some devices count, and 28 bits as others write (common practice, no source). Up to
// there no original tells, and the card beyond is asked about.
func TestBeyondOriginals(t *testing.T) {
	for name, count := range map[string]func(n disk.Sector) disk.Sector{
		"no more than 65,536 cylinders": func(n disk.Sector) disk.Sector { return min(n, 66_060_288) },
		"28 bits":                       func(n disk.Sector) disk.Sector { return n % (1 << 28) },
	} {
		c, src := originals(t, append(slices.Clone(wholeDrives), 16_000_001), func(d *imagetest.Disk, n disk.Sector, _ int) {
			headOf(d, 64, be32(count(n)))
		})
		for n, want := range map[disk.Sector][]string{
			62_333_952: {}, 66_060_288: {}, 125_042_688: {string(disk.BeyondOriginals)},
			312_581_808: {string(disk.BeyondOriginals)},
		} {
			out, err := Apply(&c.Rules, src, n)
			if err != nil || !slices.Equal(codes(out), want) {
				t.Errorf("%s, %d sectors: %v, %v; want %v", name, n, codes(out), err, want)
			}
			if v := c.For(n); (v.Proved == 1) != (len(want) == 0) {
				t.Errorf("%s, %d sectors: %s", name, n, v)
			}
		}
	}
}

// TestNumberedCopyHasItsOwnSum: a copy with a number in it, summed up with the
// number, gets the sum of its own bytes.
func TestNumberedCopyHasItsOwnSum(t *testing.T) {
	build := func(d *imagetest.Disk, n disk.Sector, _ int) {
		s := make([]byte, 512)
		copy(s, "INVENTED UNIT WITH A SUM")
		copy(s[64:], be32(n))
		for _, at := range []disk.Sector{0, n - 1} {
			s[500] = byte(min(at, 1)) * 0x83
			sum := uint16(0)
			for i := 0; i < 510; i += 2 {
				sum += binary.BigEndian.Uint16(s[i:])
			}
			binary.BigEndian.PutUint16(s[510:], sum)
			d.Put(at, s)
		}
	}
	sizes := []disk.Sector{6_346_369, 12_594_967, 19_640_883, 39_070_081}
	c, src := originals(t, sizes, build)
	const n = 31_266_816
	out, err := Apply(&c.Rules, src, n)
	if err != nil || len(codes(out)) > 0 {
		t.Fatalf("%v, %v", codes(out), err)
	}
	want := imagetest.New(n, 512)
	build(want, n, 0)
	for _, s := range out.Sectors {
		b := make([]byte, 512)
		if _, err := want.ReadAt(b, int64(s.At)*512); err != nil || string(b) != string(s.Bytes) {
			t.Errorf("sector %d: % x, want % x", s.At, s.Bytes[500:], b[500:])
		}
	}
	if !slices.ContainsFunc(c.Checks, func(k Check) bool { return k.From == layout.FromEnd }) {
		t.Errorf("the copy has no sum of its own: %v", c.Checks)
	}
}

// TestARelationIsNoChecksum: the start of the data is that of a map and its length
// together, which is a sum of two words as well, wherever it stands. Neither of them
// has a rule, so their sum has none.
func TestARelationIsNoChecksum(t *testing.T) {
	for name, words := range map[string]func(start, length uint32) []uint32{
		"map, length, data": func(start, length uint32) []uint32 { return []uint32{start, length, start + length} },
		"data, map, length": func(start, length uint32) []uint32 { return []uint32{start + length, start, length} },
	} {
		c, src := originals(t, wholeDrives, func(d *imagetest.Disk, n disk.Sector, _ int) {
			var b []byte
			for _, v := range words(uint32(n/9+n*n%90_001*5), uint32(n/7+n*n%100_003*3)) {
				b = binary.LittleEndian.AppendUint32(b, v)
			}
			headOf(d, 64, b)
		})
		const n = 1008 * 31_000
		if v := c.For(n); v.Proved > 0 || v.Unexplained == 0 {
			t.Errorf("%s: %s: %+v", name, v, c.Checks)
		}
		out, err := Apply(&c.Rules, src, n)
		if err != nil || !slices.Contains(codes(out), string(disk.RulesUnexplained)) {
			t.Errorf("%s: %v, %v", name, codes(out), err)
		}
	}
}

// TestMapFollowsItsClusters: sectors of a map, ceil(clusters / 8 / 512), follow from
// the clusters beside them, and a start from the map.
func TestMapFollowsItsClusters(t *testing.T) {
	sizes := []disk.Sector{6_346_369, 12_594_967, 19_640_883, 39_070_081, 25_429_825, 33_554_433}
	build := func(d *imagetest.Disk, n disk.Sector, _ int) {
		clusters := n / 24
		bitmap := (clusters + 4095) / 4096
		headOf(d, 64, slices.Concat(be32(n), be32(clusters), be32(bitmap), be32(bitmap+40)))
	}
	c, src := originals(t, sizes, build)
	const n = 31_266_816
	want := imagetest.New(n, 512)
	build(want, n, 0)
	out, err := Apply(&c.Rules, src, n)
	if err != nil || len(out.Sectors) != 1 {
		t.Fatalf("%+v, %v", out, err)
	}
	b := make([]byte, 512)
	if _, err := want.ReadAt(b, 0); err != nil || string(b) != string(out.Sectors[0].Bytes) {
		t.Errorf("% x, want % x", out.Sectors[0].Bytes[64:80], b[64:80])
	}
	if !slices.ContainsFunc(c.Fields, func(f Field) bool { return f.On != nil }) {
		t.Fatalf("no number follows from another one: %+v", c.Fields)
	}
	again := decoded(t, &c.Rules)
	if out, err := Apply(again, src, n); err != nil || string(out.Sectors[0].Bytes) != string(b) {
		t.Errorf("read from a file the rules make another card: %v", err)
	}
	on := slices.IndexFunc(again.Fields, func(f Field) bool { return f.On != nil })
	again.Fields[on].On = &again.Fields[on].Place
	if err := again.Check(); err == nil {
		t.Error("a number that follows from itself is taken")
	}
}

// decoded writes rules into a file and reads them.
func decoded(t *testing.T, r *Rules) *Rules {
	t.Helper()
	back, err := Decode(strings.NewReader(string(encoded(t, r))))
	if err != nil {
		t.Fatal(err)
	}
	return back
}

// TestAProgramAtTheEnd: what is the same on all drives before their last sector
// lies before the end that the device counts, and where that is on a card is asked.
func TestAProgramAtTheEnd(t *testing.T) {
	c, src := originals(t, wholeDrives, func(d *imagetest.Disk, n disk.Sector, _ int) {
		headOf(d, 64, be32(n/1008))
		d.Put(n/1008*1008-4, []byte("A PROGRAM"))
	})
	out, err := Apply(&c.Rules, src, cardAtHand)
	if err != nil || !slices.Contains(codes(out), string(disk.RulesCountedSize)) {
		t.Errorf("%v, %v", codes(out), err)
	}
}

// TestEndsOfMixedDrives: on drives that are no whole cylinders the copy lies before
// the last whole one. The numbers say so, and the copy is found there.
func TestEndsOfMixedDrives(t *testing.T) {
	sizes := []disk.Sector{25_430_895, 3_935_925, 33_077_835, 39_070_080}
	build := func(d *imagetest.Disk, n disk.Sector, _ int) {
		s := n / 1008 * 1008
		headOf(d, 64, slices.Concat(be32(s), be32(s/32), []byte("MADE FOR THIS")))
		b := make([]byte, 512)
		if _, err := d.ReadAt(b, 0); err != nil {
			t.Fatal(err)
		}
		d.Put(s-1, b)
	}
	c, src := originals(t, sizes, build)
	out, err := Apply(&c.Rules, src, cardAtHand)
	if err != nil || len(codes(out)) > 0 {
		t.Fatalf("%v, %v", codes(out), err)
	}
	want := imagetest.New(cardAtHand, 512)
	build(want, cardAtHand, 0)
	for _, s := range out.Sectors {
		b := make([]byte, 512)
		if _, err := want.ReadAt(b, int64(s.At)*512); err != nil || string(b) != string(s.Bytes) {
			t.Errorf("sector %d: % x, want % x", s.At, s.Bytes[60:80], b[60:80])
		}
	}
	if len(out.Sectors) != 2 {
		t.Errorf("%d sectors, want the head and its copy", len(out.Sectors))
	}
}

// TestTextIsText: digits of a serial number are no packed decimals, whatever these
// would follow, and a number written in digits is one.
func TestTextIsText(t *testing.T) {
	serials := []string{"SN31000001", "SN62000002", "SN63000003", "SN64000004"}
	i := 0
	c, src := originals(t, wholeDrives, func(d *imagetest.Disk, n disk.Sector, _ int) {
		headOf(d, 64, []byte(fmt.Sprintf("%s%s%09d", serials[i], "\x00\x00", n)))
		i++
	})
	for _, f := range c.Fields {
		if f.Byte < 76 || f.Ways[0].Encoding[:3] != "dec" {
			t.Errorf("%s is read as %s: %s", f.Place, f.Ways[0].Encoding, f.Ways[0].Formulas[0])
		}
	}
	out, err := Apply(&c.Rules, src, 1008*31_000)
	if err != nil || len(out.Sectors) != 1 || string(out.Sectors[0].Bytes[64:85]) != "SN31000001\x00\x00031248000" {
		t.Errorf("%+v, %v", out, err)
	}
}

// TestANumberThatCountsAloneIsAsked: what the originals tell of one number alone is no
// proof against all others: a device that cuts to whole cylinders for each of its numbers
// does not cut to half ones for one.
func TestANumberThatCountsAloneIsAsked(t *testing.T) {
	number := func(at int, whole int64) Field {
		return Field{Place: candidate.Place{From: layout.FromStart, Byte: at}, Class: Size, Width: 4, Bits: 60,
			Ways: []Way{{at, "le32", []Formula{{Count: Count{Whole: whole}, Times: 1, Of: 1, Per: 1}}, 1}}}
	}
	r := &Rules{SectorSize: 512, Sizes: []disk.Sector{100_000, 200_000, 300_001}, Head: 8,
		Counts: []Count{{Whole: 1008}, {Whole: 504}}, Fields: []Field{number(64, 1008), number(80, 504), number(96, 1008)}}
	r.doubtAlone()
	for i, want := range []State{Proved, Undecided, Proved} {
		if s := r.State(&r.Fields[i]); s != want {
			t.Errorf("%s is %s whatever the card, want %s", r.Fields[i].Place, s, want)
		}
		if a, err := r.Answer(&r.Fields[i], 250_000); err != nil || a.State != want {
			t.Errorf("%s is %s (%s), %v; want %s", r.Fields[i].Place, a.State, a.Why, err, want)
		}
	}
}
