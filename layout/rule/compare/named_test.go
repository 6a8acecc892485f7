package compare

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/compare/family"
)

// wide is what the named families need, in sectors.
const wide = 0x220

func compareWide(t *testing.T, f *family.Family, sizes []disk.Sector) *Comparison {
	t.Helper()
	c, err := Run(context.Background(), dumpsOf(f, sizes), Options{Head: wide, Tail: wide})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestNamedFamilies: a card of a size never seen starts, and does not when
// one copy is left behind or one number keeps the old size.
func TestNamedFamilies(t *testing.T) {
	const n = 1_130_004
	for _, f := range family.Named() {
		c := compareWide(t, f, family.NamedSizes())
		if v := c.For(n); v.Undecided > 0 || v.Proved == 0 {
			t.Errorf("%s: %s: %v", f.Name, v, v.Open)
			for _, p := range c.Fields {
				a, _ := c.Answer(&p, n)
				t.Logf("%s %s %s %+v", p.Place, p.Ways[0].Formulas[0], a.Why, a.Others)
			}
			continue
		}
		if err := settled(t, f, c, n); err != nil {
			t.Errorf("%s: %v", f.Name, err)
		}
	}
}

// TestApplyRefuses what would leave something behind or point nowhere.
func TestApplyRefuses(t *testing.T) {
	f := family.Named()[1]
	c := compareWide(t, f, family.NamedSizes())
	src := f.Disk(c.Sizes[0], family.Unit{Serial: 1, Clock: 1, Songs: 1})
	for _, x := range []struct {
		code  string
		n     disk.Sector
		spoil func(r *Rules)
	}{
		{"rules-areas-overlap", 30, func(*Rules) {}},
		{"rules-too-wide", 1 << 33, func(*Rules) {}},
		{"rules-source", 1_130_004, func(r *Rules) {
			g := &r.Fields[0].Ways[0].Formulas[0]
			g.Min, g.Max = -7, -7
			r.Fields[0].Ways = r.Fields[0].Ways[:1]
		}},
		{"rules-pointer-falls-off", 1_130_004, func(r *Rules) {
			r.Fields[0].Class = Address
			r.Fields[0].Ways = []Way{{r.Fields[0].Byte, r.Fields[0].Ways[0].Encoding,
				[]Formula{{Times: 1, Of: 2, Per: 1, Min: -int64(c.Sizes[0]) - 1, Max: -int64(c.Sizes[0]) - 1}}, 0}}
		}},
		{"rules-sector-size", 1_130_004, func(r *Rules) { r.SectorSize = 1024 }},
	} {
		var b bytes.Buffer
		if err := Encode(&b, &c.Rules); err != nil {
			t.Fatal(err)
		}
		r, err := Decode(&b) // a copy of our own
		if err != nil {
			t.Fatal(err)
		}
		x.spoil(r)
		_, err = Apply(r, src, x.n)
		var refused *RefusedError
		if !errors.As(err, &refused) || string(refused.Code) != x.code {
			t.Errorf("want %s, got %v", x.code, err)
		}
	}
}

// TestCopyThatNoRuleChanges: a copy that would keep the old number is asked about, with its
// place on the card; blank sectors and what stays as it was are no copies.
func TestCopyThatNoRuleChanges(t *testing.T) {
	f := family.Named()[1]
	c := compareWide(t, f, family.NamedSizes())
	src := f.Disk(c.Sizes[0], family.Unit{Serial: 1, Clock: 1, Songs: 1})
	less := c.Rules
	less.Copies = nil
	less.Fields = slices.DeleteFunc(slices.Clone(less.Fields), func(f Field) bool { return f.From == layout.FromEnd })
	for _, x := range []struct {
		r    *Rules
		want int
	}{{&c.Rules, 0}, {&less, 1}} {
		out, err := Apply(x.r, src, 1_130_004)
		if err != nil {
			t.Fatal(err)
		}
		asked := slices.DeleteFunc(slices.Clone(out.Questions), func(q disk.Finding) bool { return q.Code != disk.CopyLeftBehind })
		if len(asked) != x.want {
			t.Fatalf("asked %v, want %d", out.Questions, x.want)
		}
		for _, q := range asked {
			if q.Severity != disk.Refusal || q.Sector < 1_130_004-less.Tail || q.Sector >= 1_130_004 {
				t.Errorf("%+v is not asked about the tail of the card", q)
			}
		}
	}
}

// TestNoFalseProofOfStrangeDevices: whatever is called proved is true.
func TestNoFalseProofOfStrangeDevices(t *testing.T) {
	var proved atomic.Int64
	t.Run("each", func(t *testing.T) {
		for _, seed := range seeds(40, 200) {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				f := family.Strange(seed)
				sizes := family.Sizes(seed, 40)
				k := 2 + int(seed%4)
				c := compareFamily(t, f, sizes[:k:k])
				for _, n := range sizes {
					for _, w := range falseProofs(t, f, c, n) {
						t.Errorf("%d sizes, for %d: %s", k, n, w)
					}
					proved.Add(int64(c.For(n).Proved))
				}
			})
		}
	})
	if proved.Load() == 0 {
		t.Error("nothing at all was proved: the test tests nothing")
	}
}

// TestTwoSizes: what is simple is proved, what is not is undecided, and the
// advice names a size.
func TestTwoSizes(t *testing.T) {
	f := family.Named()[0] // clusters of 18 without an area, and blocks
	sizes := []disk.Sector{300_001, 1_108_800}
	c := compareWide(t, f, sizes)
	state := map[int]State{}
	for i := range c.Fields {
		a, err := c.Answer(&c.Fields[i], 1_130_004)
		if err != nil {
			t.Fatal(err)
		}
		state[c.Fields[i].Byte] = a.State
	}
	if state[0x64] != Proved || state[0x60] != Undecided {
		t.Errorf("blocks are %q, clusters %q", state[0x64], state[0x60])
	}
	if !slices.ContainsFunc(c.Findings, func(f disk.Finding) bool { return f.Code == "compare-two-sizes" }) {
		t.Error("nobody says what two sizes cannot decide")
	}
	if !slices.Contains(imagetest.Codes(c.Findings), string(disk.CompareUndecided)) {
		t.Errorf("nobody says that a field is undecided: %v", c.Findings)
	}
	advice := c.Advise(1_130_004, family.NamedSizes())
	if len(advice) != 4 || slices.ContainsFunc(advice, func(a Advice) bool { return a.Size == sizes[1] }) {
		t.Fatalf("advice %v: a size that is there is none, the other four are", advice)
	}
	third := compareWide(t, f, append(sizes, advice[0].Size))
	if v := third.For(1_130_004); v.Undecided != advice[0].Left {
		t.Errorf("with the advised size: %s at %v, foretold %d", v, v.Open, advice[0].Left)
	}
}

// TestWholeCylinders: disks of whole cylinders only do not tell the sectors
// from the sectors rounded down, which is said for a card of another kind.
func TestWholeCylinders(t *testing.T) {
	f := family.Named()[0]
	c := compareWide(t, f, []disk.Sector{1008 * 1021, 1008 * 1103, 1008 * 1111, 1008 * 1150})
	for _, x := range []struct {
		n    disk.Sector
		want State
	}{{1008 * 1117, Proved}, {1008*1117 + 7, Undecided}} {
		for i := range c.Fields {
			if c.Fields[i].Byte != 0x64 {
				continue
			}
			a, err := c.Answer(&c.Fields[i], x.n)
			if err != nil || a.State != x.want {
				t.Errorf("for %d sectors: %s, %v; want %s", x.n, a.State, err, x.want)
			}
			if x.want == Undecided && (len(a.Others) == 0 || a.Others[0].Value != 1008*1117) {
				t.Errorf("the alternatives are %+v", a.Others)
			}
		}
	}
}

// TestPairsTellIdentityFromVolatile: two units of one size, and one unit twice.
func TestPairsTellIdentityFromVolatile(t *testing.T) {
	f := family.Random(3)
	n := disk.Sector(3_000_000)
	dump := func(name string, serial, clock uint64) Dump {
		return Dump{Name: name, Unit: fmt.Sprint(serial),
			Source: f.Disk(n, family.Unit{Serial: serial, Clock: clock, Songs: 1})}
	}
	c, err := Run(context.Background(), []Dump{dump("before", 1, 1), dump("after", 1, 2), dump("other", 2, 1)},
		Options{Head: area, Tail: area})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, s := range c.Carried {
		if s.From == layout.FromStart && s.Sector == 0 {
			seen[fmt.Sprintf("%x %s", s.Byte&^0xF, s.Class)] = true
		}
	}
	if !seen["30 identity"] || !seen["40 volatile"] || seen["30 volatile"] || seen["40 identity"] {
		t.Errorf("the serial number is at 30, the clock at 40; found %v", seen)
	}
	if len(c.Fields) > 0 || !strings.Contains(c.Findings[0].Text, "one of another size") &&
		!strings.Contains(c.Findings[0].Text, "One of another size") {
		t.Errorf("one size decides nothing: %v, %v", c.Fields, c.Findings)
	}
}

// TestUnknownSectors: what one original does not know is not compared, and
// counted.
func TestUnknownSectors(t *testing.T) {
	f := family.Named()[3]
	var dumps []Dump
	for i, d := range dumpsOf(f, family.NamedSizes()) {
		if i == 1 {
			n := image.Sectors(d.Source)
			d.Source = image.NewKnown(d.Source, disk.Spans{{Start: 5, Count: n - 10}}, nil)
		}
		dumps = append(dumps, d)
	}
	c, err := Run(context.Background(), dumps, Options{Head: 8, Tail: 8})
	if err != nil {
		t.Fatal(err)
	}
	if c.Bytes[NotRead] != 6*512 {
		t.Errorf("%d bytes are not read, want %d", c.Bytes[NotRead], 6*512)
	}
	if !slices.Contains(imagetest.Codes(c.Findings), string(disk.CompareNotRead)) {
		t.Errorf("nobody says that sectors were not compared: %v", c.Findings)
	}
	if v := c.For(1_130_004); v.Proved != 1 || v.Undecided != 0 {
		t.Errorf("%s", v)
	}
}
