package layout_test

import (
	"encoding/json"
	"errors"
	"testing"
	"unsafe"

	"pgregory.net/rapid"

	"bootgraft/layout"
)

func drawSpans(t *rapid.T, n int) (layout.Spans, map[layout.Sector]bool) {
	var s layout.Spans
	in := map[layout.Sector]bool{}
	for range rapid.IntRange(0, 6).Draw(t, "spans") {
		p := layout.Span{Start: layout.Sector(rapid.IntRange(0, n-1).Draw(t, "start")), Count: layout.Sector(rapid.IntRange(0, 8).Draw(t, "count"))}
		s = s.Add(p)
		for x := p.Start; x < p.End(); x++ {
			in[x] = true
		}
	}
	return s, in
}

// TestSpans compares the set with a naive one, sector by sector.
func TestSpans(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const n = 40
		s, in := drawSpans(t, n)
		other, in2 := drawSpans(t, n)
		w := layout.Span{Start: layout.Sector(rapid.IntRange(0, n).Draw(t, "window")), Count: layout.Sector(rapid.IntRange(0, n).Draw(t, "long"))}
		if got := s.Sectors(); int(got) != len(in) {
			t.Fatalf("%v holds %d sectors, want %d", s, got, len(in))
		}
		for x := range layout.Sector(n + 10) {
			if s.Holds(x) != in[x] {
				t.Fatalf("%v: sector %d: %v", s, x, s.Holds(x))
			}
			if got := s.Union(other).Holds(x); got != (in[x] || in2[x]) {
				t.Fatalf("%v and %v: sector %d: %v", s, other, x, got)
			}
			if got := s.Within(w).Holds(x); got != (in[x] && w.Holds(x)) {
				t.Fatalf("%v within %s: sector %d: %v", s, w, x, got)
			}
			if got := s.Outside(w).Holds(x); got != (!in[x] && w.Holds(x)) {
				t.Fatalf("%v outside %s: sector %d: %v", s, w, x, got)
			}
		}
		for i := 1; i < len(s); i++ {
			if s[i].Start <= s[i-1].End() {
				t.Fatalf("%v is not in order, or two spans touch", s)
			}
		}
	})
}

// TestCheckTiles: any change to a true tiling is found.
func TestCheckTiles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var parts []layout.Span
		var whole layout.Sector
		for range rapid.IntRange(1, 8).Draw(t, "parts") {
			n := layout.Sector(rapid.IntRange(1, 20).Draw(t, "count"))
			parts = append(parts, layout.Span{Start: whole, Count: n})
			whole += n
		}
		if err := layout.CheckTiles(whole, parts); err != nil {
			t.Fatalf("%v tile %d: %v", parts, whole, err)
		}
		i := rapid.IntRange(0, len(parts)-1).Draw(t, "changed")
		d := layout.Sector(rapid.SampledFrom([]int{-3, -1, 1, 3, 1 << 40}).Draw(t, "by"))
		if rapid.Bool().Draw(t, "start") {
			parts[i].Start += d
		} else {
			parts[i].Count += d
		}
		var e *layout.TilingError
		if err := layout.CheckTiles(whole, parts); !errors.As(err, &e) {
			t.Fatalf("%v pass as tiling %d", parts, whole)
		}
	})
	if err := layout.CheckTiles[layout.Span](5, nil); err == nil {
		t.Error("nothing passes as tiling 5 sectors")
	}
	if err := layout.CheckTiles(10, []layout.Span{{Start: 0, Count: 1 << 62}, {Start: 1 << 62, Count: 1 << 62}}); err == nil {
		t.Error("counts that overflow pass")
	}
}

// TestPieceSize: a fragmented volume needs a million pieces.
func TestPieceSize(t *testing.T) {
	if n := unsafe.Sizeof(layout.Piece{}); n > 32 {
		t.Errorf("a piece takes %d bytes, 32 are allowed", n)
	}
}

func TestNamesComeBack(t *testing.T) {
	for _, r := range layout.Reasons() {
		text, err := r.MarshalText()
		var back layout.Reason
		if err != nil || back.UnmarshalText(text) != nil || back != r || r.Text() == "" {
			t.Errorf("reason %d: %q comes back as %d", r, text, back)
		}
	}
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero, layout.Leave} {
		text, err := op.MarshalText()
		var back layout.Op
		if err != nil || back.UnmarshalText(text) != nil || back != op {
			t.Errorf("provenance %d: %q comes back as %d", op, text, back)
		}
	}
	for _, f := range []layout.Finding{
		layout.Notef("a-code", layout.NoSector, "text %d", 1), layout.Warningf("b", 0, "zero is a sector"), layout.Refusalf("c", 1<<40, "far"),
	} {
		b, err := json.Marshal(f)
		var back layout.Finding
		if err != nil || json.Unmarshal(b, &back) != nil || back != f {
			t.Errorf("%+v comes back as %+v from %s", f, back, b)
		}
	}
	if _, err := layout.Op(99).MarshalText(); err == nil {
		t.Error("a provenance that does not exist has a name")
	}
	if _, err := layout.Reason(99).MarshalText(); err == nil {
		t.Error("a reason that does not exist has a name")
	}
}
