package ext

import (
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image/disk"
)

// TestUsageStaysBounded: with any number of runs, what is kept holds them all
// and is never longer than the limit.
func TestUsageStaysBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(2, 20).Draw(t, "limit")
		u := &usage{limit: limit}
		var all disk.Spans
		at := disk.Sector(0)
		for range rapid.IntRange(0, 200).Draw(t, "runs") {
			at += disk.Sector(rapid.IntRange(0, 50).Draw(t, "gap"))
			s := disk.Span{Start: at, Count: disk.Sector(rapid.IntRange(1, 9).Draw(t, "count"))}
			u.add(s)
			all = all.Add(s)
			at = s.End()
		}
		if len(u.span) > limit {
			t.Fatalf("%d runs, limit %d", len(u.span), limit)
		}
		for _, s := range all {
			if in := u.span.Within(s); len(in) != 1 || in[0] != s {
				t.Fatalf("%v is not in %v", s, u.span)
			}
		}
		if len(all) <= limit/2 && len(u.span) != len(all) {
			t.Fatalf("%d runs became %d without need", len(all), len(u.span))
		}
		for i := 1; i < len(u.span); i++ {
			if u.span[i].Start <= u.span[i-1].End() {
				t.Fatalf("runs touch: %v", u.span)
			}
		}
	})
}

// TestNextBit compares with looking at one bit after the other.
func TestNextBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOfN(rapid.SampledFrom([]byte{0, 0xFF, 0x10, 0x81}), 1, 6).Draw(t, "bytes")
		end := uint64(rapid.IntRange(1, 8*len(b)).Draw(t, "end"))
		want := rapid.Bool().Draw(t, "want")
		for i := range end {
			x := i
			for x < end && (b[x/8]>>(x%8)&1 == 1) != want {
				x++
			}
			if got := nextBit(b, i, end, want); got != x {
				t.Fatalf("nextBit(%x, %d, %d, %v) = %d, want %d", b, i, end, want, got, x)
			}
		}
	})
}
