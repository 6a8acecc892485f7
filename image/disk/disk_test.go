package disk_test

import (
	"errors"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image/disk"
)

func drawSpans(t *rapid.T, n int) (disk.Spans, map[disk.Sector]bool) {
	var s disk.Spans
	in := map[disk.Sector]bool{}
	for range rapid.IntRange(0, 6).Draw(t, "spans") {
		p := disk.Span{Start: disk.Sector(rapid.IntRange(0, n-1).Draw(t, "start")), Count: disk.Sector(rapid.IntRange(0, 8).Draw(t, "count"))}
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
		w := disk.Span{Start: disk.Sector(rapid.IntRange(0, n).Draw(t, "window")), Count: disk.Sector(rapid.IntRange(0, n).Draw(t, "long"))}
		if got := s.Sectors(); int(got) != len(in) {
			t.Fatalf("%v holds %d sectors, want %d", s, got, len(in))
		}
		for x := range disk.Sector(n + 10) {
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
		var parts []disk.Span
		var whole disk.Sector
		for range rapid.IntRange(1, 8).Draw(t, "parts") {
			n := disk.Sector(rapid.IntRange(1, 20).Draw(t, "count"))
			parts = append(parts, disk.Span{Start: whole, Count: n})
			whole += n
		}
		if err := disk.CheckTiles(whole, parts); err != nil {
			t.Fatalf("%v tile %d: %v", parts, whole, err)
		}
		i := rapid.IntRange(0, len(parts)-1).Draw(t, "changed")
		d := disk.Sector(rapid.SampledFrom([]int{-3, -1, 1, 3, 1 << 40}).Draw(t, "by"))
		if rapid.Bool().Draw(t, "start") {
			parts[i].Start += d
		} else {
			parts[i].Count += d
		}
		var e *disk.TilingError
		if err := disk.CheckTiles(whole, parts); !errors.As(err, &e) {
			t.Fatalf("%v pass as tiling %d", parts, whole)
		}
	})
	if err := disk.CheckTiles[disk.Span](5, nil); err == nil {
		t.Error("nothing passes as tiling 5 sectors")
	}
	if err := disk.CheckTiles(10, []disk.Span{{Start: 0, Count: 1 << 62}, {Start: 1 << 62, Count: 1 << 62}}); err == nil {
		t.Error("counts that overflow pass")
	}
}
