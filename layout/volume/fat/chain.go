package fat

import (
	"iter"

	"bootgraft/image/disk"
)

// Ending says how a chain of clusters ends.
type Ending uint8

// The endings. All but EndsWell break the content that depends on the chain.
const (
	EndsWell    Ending = iota // at an end mark
	EndsLoop                  // it comes back to one of its own clusters
	EndsFree                  // in a cluster that is marked free
	EndsBad                   // in a cluster that is marked bad
	EndsOutside               // at a number that is no cluster
	EndsUnknown               // where the table cannot be read
	EndsGivenUp               // too many chains share the same clusters to follow them all
)

func (e Ending) String() string {
	return [...]string{
		"ends well", "runs in a loop", "runs into a free cluster", "runs into a bad cluster",
		"leaves the volume", "passes a part of the table that is missing", "was not followed to its end",
	}[e]
}

// Chain is the clusters of one file or directory, in their order.
type Chain struct {
	Runs     []Run
	Clusters uint32 // in all runs
	Ends     Ending
	At       uint32 // unless EndsWell: the cluster where it goes wrong
}

// Follow returns the chain that begins at first. The clusters that it ends in
// wrongly (free, bad, one of its own) are not part of it. It always returns:
// a loop is found and cut.
func (t *Table) Follow(first uint32) Chain {
	steps := 3*int64(t.Clusters) + 16 // what a loop of all clusters takes to be found
	return t.follow(first, nil, &steps)
}

// follow reuses runs and takes what it walks from steps. A loop is noticed by
// Brent's method: a marker that moves on at every power of two.
func (t *Table) follow(first uint32, runs []Run, steps *int64) Chain {
	ch := Chain{Runs: runs[:0]}
	var marker uint32
	distance, limit := uint32(0), uint32(1)
	for c := first; ; {
		next, link := t.At(c)
		if c == marker {
			t.cutLoop(&ch, first, distance)
			return ch
		}
		if ends, wrong := wrongLink(link); wrong && (link != Outside || !t.has(c)) && link != Unknown {
			ch.Ends, ch.At = ends, c
			return ch
		}
		if *steps <= 0 {
			ch.Ends, ch.At = EndsGivenUp, c
			return ch
		}
		*steps--
		ch.add(c)
		if link != Next {
			if ends, wrong := wrongLink(link); wrong {
				ch.Ends, ch.At = ends, c
			}
			return ch
		}
		if distance == limit || marker == 0 {
			marker, distance, limit = c, 0, 2*limit
		}
		distance++
		c = next
	}
}

func wrongLink(l Link) (Ending, bool) {
	switch l {
	case Free:
		return EndsFree, true
	case Bad:
		return EndsBad, true
	case Outside:
		return EndsOutside, true
	case Unknown:
		return EndsUnknown, true
	}
	return EndsWell, false
}

// has tells whether c is a cluster of the volume.
func (t *Table) has(c uint32) bool { return c >= 2 && c <= t.Clusters+1 }

// cutLoop keeps each cluster of a chain with a loop of the given length once.
func (t *Table) cutLoop(ch *Chain, first, length uint32) {
	ahead := first
	for range length {
		ahead, _ = t.At(ahead)
	}
	start, before := first, uint32(0)
	for start != ahead {
		start, _ = t.At(start)
		ahead, _ = t.At(ahead)
		before++
	}
	ch.truncate(before + length)
	ch.Ends, ch.At = EndsLoop, start
}

func (c *Chain) truncate(n uint32) {
	c.Clusters = min(c.Clusters, n)
	for i := range c.Runs {
		if c.Runs[i].Count >= n {
			c.Runs[i].Count = n
			c.Runs = c.Runs[:i+1]
			return
		}
		n -= c.Runs[i].Count
	}
}

func (c *Chain) add(n uint32) {
	c.Clusters++
	if k := len(c.Runs); k > 0 && c.Runs[k-1].End() == n {
		c.Runs[k-1].Count++
		return
	}
	c.Runs = append(c.Runs, Run{n, 1})
}

// clusters yields the clusters of the chain in their order.
func (c *Chain) clusters() iter.Seq[uint32] {
	return func(yield func(uint32) bool) {
		for _, r := range c.Runs {
			for n := r.First; n < r.End(); n++ {
				if !yield(n) {
					return
				}
			}
		}
	}
}

// Extents returns the sectors of the clusters of the runs, in the same order,
// joined where they touch.
func (v *Volume) Extents(runs []Run) []disk.Span {
	out := make([]disk.Span, 0, len(runs))
	for _, r := range runs {
		s := v.Cluster(r.First)
		s.Count = disk.Sector(r.Count) * v.ClusterSectors
		if n := len(out); n > 0 && out[n-1].End() == s.Start {
			out[n-1].Count += s.Count
			continue
		}
		out = append(out, s)
	}
	return out
}
