package mbr

import (
	"bootgraft/image/disk"
)

// Tuple is a CHS address together with the sector that it should name.
type Tuple struct {
	CHS
	At disk.Sector // disk sector by the record's LBA fields
}

// stated tells whether the tuple names a sector at all: many writers leave
// the field zero, and an overflow tuple names none.
func (t Tuple) stated() bool { return t.CHS != CHS{} && !t.Overflowed() }

// names tells whether the tuple is that of its sector in geometry g, clamped
// as FromLBA clamps.
func (t Tuple) names(g Geometry) bool {
	if int(t.H) >= g.Heads || t.S == 0 || int(t.S) > g.SectorsPerTrack {
		return false
	}
	return t.LBA(g) == t.At || t.beyond(g) && t.CHS == g.clamp()
}

// beyond tells whether the sector lies behind the last cylinder that a tuple
// can name, and the tuple is on that cylinder.
func (t Tuple) beyond(g Geometry) bool {
	return t.C == MaxCylinder && t.At/g.cylinder() > MaxCylinder
}

// agrees tells whether the tuple may stand for its sector in geometry g: it
// names it or no sector at all, or only its cylinder is clamped.
func (t Tuple) agrees(g Geometry) bool {
	return !t.stated() || t.names(g) || t.cut(g)
}

// cut tells whether only the cylinder is clamped, and head and sector are
// those of the sector.
func (t Tuple) cut(g Geometry) bool {
	spt := disk.Sector(g.SectorsPerTrack)
	return t.beyond(g) && disk.Sector(t.H) == t.At/spt%disk.Sector(g.Heads) && disk.Sector(t.S) == t.At%spt+1
}

// maxTuples bounds how many tuples decide a geometry: a chain may hold
// thousands, and the first ones tell as much. By hand, no source.
const maxTuples = 64

// weight makes one tuple that names its sector count for more than all that
// merely fit.
const weight = maxTuples + 1

// impliedGeometry returns the geometry in which the tuples name their
// sectors. It is not known if more than one geometry would do, or if none
// suits more than half of the tuples below cylinder 1023. One tuple alone
// proves nothing: a second, or a clamped one of the same geometry, must stand
// beside it.
func impliedGeometry(tuples []Tuple) (g Geometry, ok bool) {
	tuples = tuples[:min(len(tuples), maxTuples)]
	firm := 0
	for _, t := range tuples {
		if t.stated() && t.C < MaxCylinder {
			firm++
		}
	}
	best, ties := 0, 0
	for c := range candidates(tuples) {
		switch n := c.score(tuples); {
		case n > best:
			g, best, ties = c, n, 1
		case n == best:
			ties++
		}
	}
	named, fit := best/weight, best%weight
	if ties != 1 || named < 1 || named+fit < 2 || named*2 <= firm {
		return Geometry{}, false
	}
	return g, true
}

// score counts the tuples that name their sector first, and among equals
// those that are clamped as in this geometry.
func (g Geometry) score(tuples []Tuple) int {
	n := 0
	for _, t := range tuples {
		switch {
		case t.stated() && t.names(g):
			n += weight
		case t.CHS == g.clamp(), t.stated() && t.cut(g):
			n++
		}
	}
	return n
}

// candidates returns every geometry that some tuple alone allows. A tuple of
// cylinder 0 allows any number of heads: two stand for all, so that they tie
// unless another tuple decides.
func candidates(tuples []Tuple) map[Geometry]bool {
	out := map[Geometry]bool{}
	for _, t := range tuples {
		if t.C == MaxCylinder && t.S > 0 {
			out[Geometry{int(t.H) + 1, int(t.S)}] = true
		}
		for spt := disk.Sector(1); spt <= 63 && t.stated(); spt++ {
			tracks := (t.At - disk.Sector(t.S) + 1) / spt
			heads := (tracks - disk.Sector(t.H)) / max(1, disk.Sector(t.C))
			switch exact := tracks*spt+disk.Sector(t.S)-1 == t.At; {
			case exact && t.C == 0 && heads == 0:
				out[Geometry{255, int(spt)}], out[Geometry{256, int(spt)}] = true, true
			case exact && t.C > 0 && heads >= 1 && heads <= 256:
				out[Geometry{int(heads), int(spt)}] = true
			}
		}
	}
	return out
}
