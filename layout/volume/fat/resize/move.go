package resize

import (
	"cmp"
	"slices"

	"bootgraft/layout/volume/fat"
)

// move is a run of clusters that finds a new place.
type move struct{ from, to, count uint32 }

// moves knows where every moved cluster goes, and where it came from.
type moves struct {
	out     []move // by from
	in      []move // by to
	vacated fat.Run
	last    int // of out: the one that was asked for last
}

// to returns where cluster c goes.
func (m *moves) to(c uint32) uint32 {
	if len(m.out) == 0 || c < m.out[0].from {
		return c
	}
	if q := m.out[m.last]; c-q.from < q.count {
		return c - q.from + q.to
	}
	i, found := slices.BinarySearchFunc(m.out, c, func(q move, c uint32) int {
		switch {
		case q.from > c:
			return 1
		case c-q.from < q.count:
			return 0
		}
		return -1
	})
	if !found {
		return c
	}
	m.last = i
	return c - m.out[i].from + m.out[i].to
}

func (m *moves) sort() {
	slices.SortFunc(m.out, func(a, b move) int { return cmp.Compare(a.from, b.from) })
	m.in = slices.Clone(m.out)
	slices.SortFunc(m.in, func(a, b move) int { return cmp.Compare(a.to, b.to) })
}

// moveClusters finds a place for every used cluster beyond the new end. What boot code
// looks for by name chooses first, and then the longest runs, so that they stay in one
// piece.
func (j *job) moveClusters() {
	if j.count.last <= j.new.Clusters+1 {
		return
	}
	// Before all others, while the longest gaps are whole. Its own clusters below the end
	// count as room, for it leaves them.
	whole := j.straddler()
	if whole.Count > 0 {
		tree := newGapTree(j.gapsWith(whole))
		if tree.longest() < whole.Count {
			whole = fat.Run{}
		} else {
			j.assign(whole, tree.take(whole.Count).First)
			j.moves.vacated = fat.Run{First: whole.First, Count: j.new.Clusters + 2 - whole.First}
		}
	}
	tree := newGapTree(j.gapsBeside(whole))
	for _, r := range j.runsBeyond(whole) {
		for r.Count > 0 {
			// There is room for all (leastClusters), but perhaps in no one place: then a run is
			// cut, and its first part takes the longest gap.
			got := tree.take(min(r.Count, tree.longest()))
			j.assign(fat.Run{First: r.First, Count: got.Count}, got.First)
			r.First += got.Count
			r.Count -= got.Count
		}
	}
	j.moves.sort()
}

func (j *job) assign(r fat.Run, to uint32) {
	j.moves.out = append(j.moves.out, move{r.First, to, r.Count})
	j.res.MovedClusters += r.Count
}

// straddler returns the chain that lies in one piece across the new end, if
// there is one: it moves as a whole if there is room, to stay in one piece.
func (j *job) straddler() fat.Run {
	last := j.new.Clusters + 1
	if !j.follows(last) {
		return fat.Run{}
	}
	first := last
	for first > 2 && j.follows(first-1) {
		first--
	}
	end := last + 1
	for end <= j.old.Clusters && j.follows(end) {
		end++
	}
	mask := j.old.Kind.Mask()
	// The chain goes on elsewhere: it is in more than one piece already.
	if j.entries[end]&mask < j.old.Kind.EndMin() {
		return fat.Run{}
	}
	for c := uint32(2); c <= j.old.Clusters+1; c++ {
		// Some cluster elsewhere leads to its first: the same.
		if j.entries[c]&mask == first {
			return fat.Run{}
		}
	}
	return fat.Run{First: first, Count: end + 1 - first}
}

// follows tells whether the cluster after c is the next one of its chain.
func (j *job) follows(c uint32) bool {
	return c <= j.old.Clusters && j.entries[c]&j.old.Kind.Mask() == c+1
}

// gapsWith lists the runs of clusters below the new end that can be given
// out, those of the run itself with them.
func (j *job) gapsWith(whole fat.Run) []fat.Run {
	return j.gapsWhere(func(c uint32) bool { return j.vacant(c) || c-whole.First < whole.Count })
}

// gapsBeside lists them once the run, if it is not empty, has its new place.
func (j *job) gapsBeside(whole fat.Run) []fat.Run {
	var taken fat.Run
	if whole.Count > 0 {
		taken = fat.Run{First: j.moves.out[0].to, Count: whole.Count}
	}
	return j.gapsWhere(func(c uint32) bool {
		return (j.vacant(c) || c-whole.First < whole.Count) && c-taken.First >= taken.Count
	})
}

func (j *job) gapsWhere(vacant func(uint32) bool) []fat.Run {
	var out []fat.Run
	for c := uint32(2); c <= j.new.Clusters+1; c++ {
		if !vacant(c) {
			continue
		}
		if n := len(out); n > 0 && out[n-1].End() == c {
			out[n-1].Count++
			continue
		}
		out = append(out, fat.Run{First: c, Count: 1})
	}
	return out
}

// runsBeyond lists the runs of chains beyond the new end that lie in one
// piece, those of files that boot code looks for by name first, then the longest; those
// of the run that already moved are left out.
func (j *job) runsBeyond(whole fat.Run) []fat.Run {
	var out []fat.Run
	for c := j.new.Clusters + 2; c <= j.old.Clusters+1; c++ {
		if !j.used(c) || c-whole.First < whole.Count {
			continue
		}
		r := fat.Run{First: c, Count: 1}
		for j.follows(c) {
			c++
			r.Count++
		}
		out = append(out, r)
	}
	named := j.namedRuns()
	others := func(r fat.Run) int {
		if slices.ContainsFunc(named, func(n fat.Run) bool { return n.First < r.End() && r.First < n.End() }) {
			return 0
		}
		return 1
	}
	slices.SortStableFunc(out, func(a, b fat.Run) int {
		return cmp.Or(cmp.Compare(others(a), others(b)), cmp.Compare(b.Count, a.Count))
	})
	return out
}
