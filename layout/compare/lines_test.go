package compare

import (
	"slices"
	"strings"
	"testing"

	"bootgraft/layout/compare/family"
)

// TestLines: the rules of invented devices in words.
func TestLines(t *testing.T) {
	const card = 1_130_004
	for _, x := range []struct {
		device, place, rule, value string
		state                      State
	}{
		{"A", "sector 0, byte 100", "N", "1130004", Proved},
		{"B", "sector 4, byte 84", "N - 110", "1129894", Proved},
		{"B", "end-2, byte 0", "repeats 2 sectors from sector 0 on, in reverse order", "", Proved},
		{"D", "sector 1, byte 12", "N - 4104", "1125900", Proved},
		{"J", "end-1, byte 0", "repeats sector 0, 16-bit swapped", "", Proved},
		{"L", "sector 0, byte 482", "N - 39456", "1090548", Proved},
		{"L", "sector 0, byte 506", "sum16-le over 506 bytes from sector 0, byte 0", "", Proved},
	} {
		all := family.Named()
		f := all[slices.IndexFunc(all, func(f *family.Family) bool { return f.Name == x.device })]
		c := compareWide(t, f, family.NamedSizes())
		lines := c.Lines(card)
		i := slices.IndexFunc(lines, func(l Line) bool { return l.Place.String() == x.place })
		if i < 0 {
			t.Errorf("%s: nothing is said of %s: %v", x.device, x.place, lines)
			continue
		}
		if l := lines[i]; l.Rule != x.rule || l.State != x.state || l.Value != x.value || l.Why != "" || l.Class != Checksum && len(l.Alternatives) > 0 {
			t.Errorf("%s: %+v", x.device, l)
		}
		if !slices.IsSortedFunc(lines, func(a, b Line) int { return a.Place.compare(b.Place) }) {
			t.Errorf("%s: the lines are not in order", x.device)
		}
	}
}

// TestLinesOfTwoSizes: what is open is said, for a card and for none.
func TestLinesOfTwoSizes(t *testing.T) {
	c := compareWide(t, family.Named()[0], family.NamedSizes()[:2])
	open := func(lines []Line) Line {
		i := slices.IndexFunc(lines, func(l Line) bool { return l.State == Undecided })
		if i < 0 {
			t.Fatal("two sizes decide everything")
		}
		return lines[i]
	}
	if l := open(c.Lines(0)); l.Place.Byte != 0x60 || !strings.Contains(l.Why, "bits") || l.Value != "" || len(l.Alternatives) == 0 {
		t.Errorf("%+v", l)
	}
	if l := open(c.Lines(2_000_000)); l.Value == "" || !strings.Contains(l.Why, "bits") || len(l.Alternatives) == 0 {
		t.Errorf("%+v", l)
	}
}
