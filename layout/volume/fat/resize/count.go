package resize

import (
	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// census counts the clusters of the volume.
type census struct {
	used, bad uint32
	last      uint32 // the highest used cluster, 0 if there is none
}

// used tells whether cluster c belongs to something.
func (j *job) used(c uint32) bool {
	e := j.entries[c] & j.old.kind.Mask()
	return e != 0 && e != j.old.kind.Bad()
}

func (j *job) bad(c uint32) bool { return j.entries[c]&j.old.kind.Mask() == j.old.kind.Bad() }

// vacant tells whether cluster c can be given out: bad ones can if their
// marks are to be cleared.
func (j *job) vacant(c uint32) bool {
	e := j.entries[c] & j.old.kind.Mask()
	return e == 0 || e == j.old.kind.Bad() && j.w.BadMarks == BadClear
}

func (j *job) countClusters() {
	for c := uint32(2); c <= j.old.clusters+1; c++ {
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
	for c := uint32(2); c <= j.old.clusters+1; c++ {
		if room == j.count.used {
			return int64(c) - 2
		}
		if j.used(c) || j.vacant(c) {
			room++
		}
	}
	return int64(j.old.clusters)
}

// setLimits finds out the limits. An alignment counts as asked.
func (j *job) setLimits() {
	low, high := limits(j.old.kind, j.old.clusters)
	g := j.old
	base, align, _ := j.alignment()
	g.align(base, align)
	per := j.v.PerSector
	inSource := func(n int64) disk.Sector { return disk.Sector(n) * per }
	least := max(low, j.leastClusters(), j.pinnedClusters())
	unmoved := max(low, int64(j.count.last)-1)
	largest := min(j.old.largest(high, base, align), maxTotal)
	l := &j.res.Limits
	l.Smallest, l.SmallestUnmoved = inSource(g.sizeFor(least)), inSource(g.sizeFor(unmoved))
	l.Largest = inSource(largest)
	l.LargestInPlace = inSource(min(j.old.inPlace(high), largest))
	if j.cut() && !j.w.Empty {
		*l = Limits{j.from.total, j.from.total, j.from.total, j.from.total}
	}
}

// inPlace returns the largest size with no more clusters than the tables have
// entries for, and than the type allows.
func (g *geometry) inPlace(high int64) int64 {
	return max(g.total, g.sizeFor(min(g.capacity(), high)+1)-1)
}

// largest returns the largest size with at most high clusters.
func (g geometry) largest(high, base, align int64) int64 {
	bits := (high + 2) * int64(g.kind)
	g.table = max(g.table, (bits+g.bytes*8-1)/(g.bytes*8))
	if g.kind != fat.FAT32 {
		g.table = min(g.table, 65535)
	}
	g.align(base, align)
	return g.sizeFor(high+1) - 1
}
