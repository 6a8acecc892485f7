package disk

import "testing"

func TestFirstIsTheFirstOfWithin(t *testing.T) {
	set := NewSpans(Span{3, 4}, Span{10, 1}, Span{20, 30})
	for start := Sector(0); start < 60; start++ {
		for count := Sector(0); count < 60; count++ {
			w := Span{start, count}
			all, got := set.Within(w), set.First(w)
			if len(all) == 0 && !got.Empty() || len(all) > 0 && got != all[0] {
				t.Fatalf("in %s: %s, want the first of %v", w, got, all)
			}
		}
	}
}
