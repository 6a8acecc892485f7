package resize

import (
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// census counts the clusters of the volume.
type census struct {
	used, bad uint32
	last      uint32 // the highest used cluster, 0 if there is none
}

// used tells whether cluster c belongs to something.
func (j *job) used(c uint32) bool {
	e := j.entries[c] & j.old.Kind.Mask()
	return e != 0 && e != j.old.Kind.Bad()
}

func (j *job) bad(c uint32) bool { return j.entries[c]&j.old.Kind.Mask() == j.old.Kind.Bad() }

// vacant tells whether cluster c can be given out: bad ones can if their
// marks are to be cleared.
func (j *job) vacant(c uint32) bool {
	e := j.entries[c] & j.old.Kind.Mask()
	return e == 0 || e == j.old.Kind.Bad() && j.w.BadMarks == volume.BadClear
}

func (j *job) countClusters() {
	for c := uint32(2); c <= j.old.Clusters+1; c++ {
		switch {
		case j.used(c):
			j.count.used++
			j.count.last = c
		case j.bad(c):
			j.count.bad++
		}
	}
}

// leastClusters returns the least number of clusters that holds all that is
// used: those with a bad mark that stays hold nothing.
func (j *job) leastClusters() int64 {
	room := uint32(0)
	for c := uint32(2); c <= j.old.Clusters+1; c++ {
		if room == j.count.used {
			return int64(c) - 2
		}
		if j.used(c) || j.vacant(c) {
			room++
		}
	}
	return int64(j.old.Clusters)
}

// smallestMoved returns the smallest size if what must stay may move: whoever wants
// less than Limits.Smallest is asked about each thing that would.
func (j *job) smallestMoved() disk.Sector {
	if j.cut() && !j.w.Empty {
		return j.from.Total
	}
	low, _ := fat.ClusterLimits(j.old.Kind, j.old.Clusters)
	g := j.old
	base, align, _ := j.alignment()
	g.Align(base, align)
	return disk.Sector(g.SizeFor(max(low, j.leastClusters()))) * j.v.PerSector
}

// setLimits finds out the limits. An alignment counts as asked.
func (j *job) setLimits() {
	low, high := fat.ClusterLimits(j.old.Kind, j.old.Clusters)
	g := j.old
	base, align, _ := j.alignment()
	g.Align(base, align)
	per := j.v.PerSector
	inSource := func(n int64) disk.Sector { return disk.Sector(n) * per }
	least := max(low, j.leastClusters(), j.pinnedClusters())
	unmoved := max(low, int64(j.count.last)-1)
	largest := min(j.old.Largest(high, base, align), fat.MaxTotal)
	l := &j.res.Limits
	l.Smallest, l.SmallestUnmoved = inSource(g.SizeFor(least)), inSource(g.SizeFor(unmoved))
	l.Largest = inSource(largest)
	l.LargestInPlace = inSource(min(j.old.InPlace(high), largest))
	if j.cut() && !j.w.Empty {
		n := j.from.Total
		*l = volume.Limits{Smallest: n, SmallestUnmoved: n, LargestInPlace: n, Largest: n}
	}
}
