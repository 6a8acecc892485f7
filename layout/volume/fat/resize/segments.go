package resize

import (
	"maps"
	"slices"

	"bootgraft/image/disk"
)

// fate says what becomes of a run of clusters of the card.
type fate uint8

const (
	stays fate = iota // the same clusters of the original
	comes             // clusters that had another number
	free              // clusters that no file uses
)

// segment is a run of clusters of the card that share their fate.
type segment struct {
	first, count uint32
	from         uint32 // comes: the cluster that it was
	fate         fate
}

// segments yields all clusters of the card in their order.
func (j *job) segments(yield func(segment) bool) {
	in := j.moves.in
	end, beyond := j.new.Clusters+2, j.firstBeyond()
	for c := uint32(2); c < end; {
		stop := end
		if c < beyond {
			stop = min(end, beyond) // what the original has is told from what it has not
		}
		if len(in) > 0 {
			stop = min(stop, in[0].to)
		}
		s := segment{first: c}
		if len(in) > 0 && c == in[0].to {
			s = segment{c, in[0].count, in[0].from, comes}
			in = in[1:]
		} else {
			s.fate = j.fateOf(c)
			for c+s.count < stop && j.fateOf(c+s.count) == s.fate {
				s.count++
			}
		}
		if !yield(s) {
			return
		}
		c += s.count
	}
}

// fateOf is the fate of a cluster into which nothing moves.
func (j *job) fateOf(c uint32) fate {
	if c > j.old.Clusters+1 || !j.used(c) || c-j.moves.vacated.First < j.moves.vacated.Count {
		return free
	}
	return stays
}

// gapRule says which free runs are copied all the same: to have fewer pieces,
// the short ones.
type gapRule struct {
	all     bool
	shorter uint32 // runs of fewer clusters
	equal   int    // and those of exactly that number, until so many pieces are saved
}

// saved is how many pieces fewer there are if a free run is copied: those
// beside it that stay continue each other then.
func saved(before, after fate) int {
	n := 0
	for _, f := range []fate{before, after} {
		if f == stays {
			n++
		}
	}
	return n
}

// runs yields each segment with the fates of those beside it.
func (j *job) runs(yield func(s segment, before, after fate) bool) {
	before := free
	var waiting segment
	for next := range j.segments {
		if waiting.count > 0 {
			if !yield(waiting, before, next.fate) {
				return
			}
			before = waiting.fate
		}
		waiting = next
	}
	if waiting.count > 0 {
		yield(waiting, before, free)
	}
}

// chooseGaps decides which free clusters are carried.
func (j *job) chooseGaps() {
	if j.copyFree() {
		j.gaps.all = true
		return
	}
	// A sector that is made new splits a piece in three. 64 are for boot sectors, tables
	// and root: by hand, and more than they are.
	pieces := 64 + 2*j.refSectors()
	for range j.segments {
		pieces++
	}
	if pieces <= j.w.MaxPieces || j.w.Empty {
		return
	}
	byLength := map[uint32]int{} // pieces that all runs of a length save
	j.runs(func(s segment, before, after fate) bool {
		if n := saved(before, after); s.fate == free && n > 0 && j.canCopy(s) {
			byLength[s.count] += n
		}
		return true
	})
	lengths := slices.Sorted(maps.Keys(byLength))
	for _, l := range lengths {
		over := pieces - j.w.MaxPieces
		j.gaps = gapRule{shorter: l, equal: min(over, byLength[l])}
		if byLength[l] >= over {
			break
		}
		pieces -= byLength[l]
	}
	if len(lengths) == 0 {
		return
	}
	j.note(disk.Notef(disk.FreeGapsCopied, disk.NoSector,
		"the volume lies in so many pieces that short runs of free clusters, up to %d clusters, are copied too: "+
			"a plan has at most about %d pieces",
		j.gaps.shorter, j.w.MaxPieces))
}

// refSectors counts the sectors of directories that are made new.
func (j *job) refSectors() int {
	n := 0
	for i := range j.refs {
		if i == 0 || j.refs[i].at != j.refs[i-1].at {
			n++
		}
	}
	return n
}

// canCopy tells whether the original has all sectors of a free run.
func (j *job) canCopy(s segment) bool {
	return s.first+s.count <= j.firstBeyond()
}

// carried yields each segment and whether its content is carried.
func (j *job) carried(yield func(s segment, carried bool) bool) {
	left := j.gaps.equal
	j.runs(func(s segment, before, after fate) bool {
		n := saved(before, after)
		switch {
		case s.fate != free:
			return yield(s, true)
		case !j.canCopy(s):
			return yield(s, false)
		case j.gaps.all || n > 0 && s.count < j.gaps.shorter:
			return yield(s, true)
		case n > 0 && s.count == j.gaps.shorter && left > 0:
			left -= n
			return yield(s, true)
		}
		return yield(s, false)
	})
}

// countLost counts the free sectors that are left out and the deleted entries
// whose first cluster is among them, or lies in a cluster that is given out
// anew.
func (j *job) countLost() {
	kept := 0
	dead := j.dead
	for s, carried := range j.carried {
		for len(dead) > 0 && dead[0] < s.first+s.count {
			if s.fate == free && carried {
				kept++
			}
			dead = dead[1:]
		}
		if last := min(s.first+s.count, j.firstBeyond()); s.fate == free && !carried && last > s.first {
			j.res.Skipped += disk.Sector(last-s.first) * j.from.Cluster
		}
	}
	j.res.LostDeleted = len(j.dead) - kept
}
