package resize

import (
	"cmp"
	"slices"

	"bootgraft/layout"
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
	end := j.new.clusters + 2
	for c := uint32(2); c < end; {
		stop := end
		if len(in) > 0 {
			stop = in[0].to
		}
		s := segment{first: c}
		if c == stop {
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
	if c > j.old.clusters+1 || !j.used(c) || c-j.moves.vacated.First < j.moves.vacated.Count {
		return free
	}
	return stays
}

// gapRule says which free runs are copied all the same: to have fewer pieces,
// the short ones.
type gapRule struct {
	all     bool
	shorter uint32 // runs of fewer clusters
	equal   int    // and so many of exactly that number
}

// neighbours tells for each free run how many pieces it costs to leave it
// out: those beside it continue each other if it is copied.
func (j *job) neighbours(yield func(s segment, cost int)) {
	var before, s segment
	cost := func(after fate) int {
		n := 0
		for _, f := range []fate{before.fate, after} {
			if f == stays {
				n++
			}
		}
		return n
	}
	before.fate = free
	for next := range j.segments {
		if s.count > 0 && s.fate == free {
			yield(s, cost(next.fate))
		}
		if s.count > 0 {
			before = s
		}
		s = next
	}
	if s.fate == free {
		yield(s, cost(free))
	}
}

// chooseGaps decides which free clusters are carried.
func (j *job) chooseGaps() {
	if j.copyFree() {
		j.gaps.all = true
		return
	}
	pieces := 64 + 2*j.refSectors()
	for range j.segments {
		pieces++
	}
	if pieces <= j.w.MaxPieces || j.w.Empty {
		return
	}
	type length struct {
		clusters uint32
		cost     int
		runs     int
	}
	byLength := map[uint32]*length{}
	j.neighbours(func(s segment, cost int) {
		if cost == 0 || !j.canCopy(s) {
			return
		}
		l := byLength[s.count]
		if l == nil {
			l = &length{clusters: s.count}
			byLength[s.count] = l
		}
		l.cost += cost
		l.runs++
	})
	var lengths []*length
	for _, l := range byLength {
		lengths = append(lengths, l)
	}
	slices.SortFunc(lengths, func(a, b *length) int { return cmp.Compare(a.clusters, b.clusters) })
	for _, l := range lengths {
		j.gaps.shorter, j.gaps.equal = l.clusters, l.runs
		if over := pieces - j.w.MaxPieces; l.cost >= over {
			j.gaps.equal = min(l.runs, over)
			break
		}
		pieces -= l.cost
	}
	if len(lengths) == 0 {
		return
	}
	j.note(layout.Notef("free-gaps-copied", layout.NoSector, "the volume lies in so many pieces that short runs of free clusters, up to %d clusters, are copied too: a plan has at most about %d pieces", j.gaps.shorter, j.w.MaxPieces))
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
	return s.first+s.count <= j.old.clusters+2 && j.from.clusters(s.first, s.count).End() <= j.whole()
}

// carried yields each segment and whether its content is carried.
func (j *job) carried(yield func(s segment, carried bool) bool) {
	equal := j.gaps.equal
	var waiting segment
	decide := func(s segment, after fate, before fate) bool {
		if s.fate != free {
			return true
		}
		switch {
		case !j.canCopy(s):
			return false
		case j.gaps.all || s.count < j.gaps.shorter && (before == stays || after == stays):
			return true
		case s.count == j.gaps.shorter && equal > 0 && (before == stays || after == stays):
			equal--
			return true
		}
		return false
	}
	before := free
	for next := range j.segments {
		if waiting.count > 0 {
			if !yield(waiting, decide(waiting, next.fate, before)) {
				return
			}
			before = waiting.fate
		}
		waiting = next
	}
	if waiting.count > 0 {
		yield(waiting, decide(waiting, free, before))
	}
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
		if last := min(s.first+s.count, j.old.clusters+2); s.fate == free && !carried && last > s.first {
			j.res.Skipped += layout.Sector(last-s.first) * j.from.cluster
		}
	}
	j.res.LostDeleted = len(j.dead) - kept
}
