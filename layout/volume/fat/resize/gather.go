package resize

import (
	"cmp"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// ref is a directory entry that names a moved cluster.
type ref struct {
	at      disk.Sector // on the card
	from    disk.Sector // in the source
	offset  uint16      // byte in it
	cluster uint32      // it names now
}

// gather walks the volume once more, now that it is known what moves.
func (j *job) gather() {
	j.meanReserved()
	var dirs []disk.Span
	add := func(r *fat.Raw, at fat.Slot) {
		c := r.Cluster(j.old.Kind)
		if to := j.moves.to(c); to != c {
			j.refs = append(j.refs, ref{j.onCard(at.Sector), at.Sector, uint16(at.Offset), to})
		}
	}
	if j.w.Empty {
		return
	}
	j.v.Visit(j.t, fat.Visitor{
		Dot: add,
		File: func(f *fat.File) {
			add(&f.Raw, f.Place)
			if j.touches(f.Chain.Runs) {
				j.res.MovedFiles++
			}
		},
		Dir: func(_ uint32, ch fat.Chain) {
			if ch.Clusters > 0 {
				dirs = append(dirs, j.v.Extents(ch.Runs)...)
			}
		},
		Deleted: func(r *fat.Raw, _ fat.Slot) {
			holds := r.Size() > 0 || r.Attr()&fat.AttrDir != 0
			if c := r.Cluster(j.old.Kind); holds && c >= 2 && c <= j.old.Clusters+1 && !j.used(c) {
				j.dead = append(j.dead, c)
			}
		},
	})
	slices.SortFunc(j.refs, func(a, b ref) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.offset, b.offset)) })
	slices.Sort(j.dead)
	j.res.Meaning = j.res.Meaning.Union(disk.NewSpans(dirs...))
}

// touches tells whether any cluster of the runs moves: with each run that
// moves its first or its last cluster does, or one beyond the new end.
func (j *job) touches(runs []fat.Run) bool {
	last := j.new.Clusters + 1
	for _, r := range runs {
		if r.Count > 0 && (r.End()-1 > last || j.moves.to(r.First) != r.First) {
			return true
		}
	}
	return false
}

// onCard returns where a source sector of a directory lies on the card.
func (j *job) onCard(s disk.Sector) disk.Sector {
	if c, ok := j.v.ClusterAt(s); ok {
		return j.to.Clusters(j.moves.to(c), 1).Start + s - j.from.Clusters(c, 1).Start
	}
	return s - j.from.Root.Start + j.to.Root.Start
}

// meanReserved notes the sectors that are interpreted besides directories.
func (j *job) meanReserved() {
	m := append([]disk.Span{j.from.Root}, j.from.Tables...)
	n := min(j.from.Reserved.Count, maxCode/disk.Sector(j.size))
	m = append(m, disk.Span{Count: n})
	for _, p := range j.bootPlaces() {
		m = append(m, disk.Span{Start: p.at, Count: 1})
	}
	for _, p := range j.pins {
		if p.code == disk.LoaderFileMoves {
			m = append(m, j.from.Clusters(p.run.First, 1))
		}
	}
	if j.w.Empty { // its label is kept
		j.res.Emptied = j.oldRoot().Common(disk.Span{Count: j.whole()})
		m = append(m, j.res.Emptied)
	}
	j.res.Meaning = disk.NewSpans(m...).Within(disk.Span{Count: j.whole()})
}
