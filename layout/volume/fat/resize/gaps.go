package resize

import (
	"bootgraft/layout/volume/fat"
)

// gapTree finds among many gaps the first that is long enough, and the
// longest. It is a binary tree of the lengths: each node knows the longest
// below it.
type gapTree struct {
	gaps  []fat.Run
	longs []uint32 // 1 is the root; the leaves are the last half
	half  int
}

func newGapTree(gaps []fat.Run) *gapTree {
	half := 1
	for half < len(gaps) {
		half *= 2
	}
	t := &gapTree{gaps: gaps, longs: make([]uint32, 2*half), half: half}
	for i, g := range gaps {
		t.longs[half+i] = g.Count
	}
	for i := half - 1; i > 0; i-- {
		t.longs[i] = max(t.longs[2*i], t.longs[2*i+1])
	}
	return t
}

// longest returns the length of the longest gap.
func (t *gapTree) longest() uint32 { return t.longs[1] }

// take cuts n clusters, at least 1, from the start of the first gap that has
// so many. There must be one.
func (t *gapTree) take(n uint32) fat.Run {
	i := 1
	for i < t.half {
		if i *= 2; t.longs[i] < n {
			i++
		}
	}
	g := &t.gaps[i-t.half]
	got := fat.Run{First: g.First, Count: n}
	g.First += n
	g.Count -= n
	t.longs[i] = g.Count
	for i /= 2; i > 0; i /= 2 {
		t.longs[i] = max(t.longs[2*i], t.longs[2*i+1])
	}
	return got
}
