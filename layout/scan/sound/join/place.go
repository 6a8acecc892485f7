package join

import (
	"cmp"
	"slices"

	"bootgraft/image/disk"
)

// units are the sizes of blocks that are tried, in sectors: powers of two, tracks and
// what is made of them (common practice, no source).
var units = []disk.Sector{1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 63, 64, 96, 126, 128, 192, 252, 256, 384, 512, 768,
	1024, 2048}

// Bounds of placing, by hand, no source: they bound time, and each trial is counted.
const (
	mostSampled = 512 // extents that are looked at before a placing is tried in full
	mostBorders = 64  // runs of sound whose start may be a piece's
	mostPlaced  = 4   // placings of one reading that are tried in full
	mostVotes   = 16  // extents of one group that say where block 0 may lie
	mostAround  = 64  // blocks by which a placing is moved
	mostLowest  = 8   // groups, the longest, whose lowest block may be the first of the sound
	mostBases   = 4   // of one size of block that many starts agree on
)

// placing is a size of blocks and where block 0 lies.
type placing struct {
	unit, base disk.Sector
	score      float64 // sectors of sound that are named, about
}

// span returns where an extent lies, empty if that is no place of the disk.
func (p placing) span(e extent, n disk.Sector) disk.Span {
	s := disk.Span{Start: p.base + disk.Sector(e.start)*p.unit, Count: disk.Sector(e.count) * p.unit}
	if e.start > int64(n) || e.count > int64(n) || s.Start < 0 || s.End() > n+p.unit {
		return disk.Span{}
	}
	return s
}

// place finds the sizes of blocks that put a reading upon the sound, judges it in each,
// and keeps the best that chance does not explain.
func (f *finder) place(r *reading) {
	r.tried, r.ends = len(r.groups), endsOf(r.groups)
	r.groups = chained(r.groups)
	samples := sampled(r.groups)
	var all []placing
	for _, u := range units {
		best := placing{}
		for _, base := range f.bases(samples, u) {
			if p := f.tried(placing{unit: u, base: base}, samples); p.score > best.score {
				best = p
			}
		}
		if best.score > 0 {
			all = append(all, best)
		}
	}
	slices.SortStableFunc(all, func(a, b placing) int { return cmp.Compare(b.score, a.score) })
	best, judged := reading{}, []reading{}
	for _, p := range all[:min(mostPlaced, len(all))] {
		if p.score <= 0 {
			break
		}
		p = f.around(p, samples)
		one := *r
		one.unit, one.base = p.unit, p.base
		if !f.judge(&one) {
			continue
		}
		judged = append(judged, one)
		if best.sheet == nil || one.better(&best) {
			best = one
		}
	}
	if best.sheet != nil {
		best.others = best.alike(judged)
		f.found = append(f.found, best)
	}
}

// asGood is how much of what a placing says of the sound another one has to say to be
// told beside it. By hand, no source.
const asGood = 0.8

// alike returns the sizes of blocks of the other placings that say about as much of the
// sound: where it lies in one run, its borders cannot tell one size from another.
func (r *reading) alike(judged []reading) (out []disk.Sector) {
	for i := range judged {
		o := &judged[i]
		if o.unit != r.unit && float64(o.covers-o.cut) >= asGood*float64(r.covers-r.cut) {
			out = append(out, o.unit)
		}
	}
	slices.Sort(out)
	return out
}

// tried returns a placing with its score.
func (f *finder) tried(p placing, samples []sample) placing {
	f.trials++
	p.score = f.score(p, samples)
	return p
}

// around tries what lies some blocks before and behind a placing: where the sound has few
// borders a placing nearby names almost as much of it.
func (f *finder) around(p placing, samples []sample) placing {
	best := p
	for k := -mostAround; k <= mostAround; k++ {
		if q := f.tried(placing{unit: p.unit, base: p.base + disk.Sector(k)*p.unit}, samples); q.score > best.score {
			best = q
		}
	}
	return best
}

// endsOf returns where the extents of groups end, in order, each once.
func endsOf(groups []group) (out []int64) {
	for _, g := range groups {
		for _, e := range g.extents {
			out = append(out, e.end())
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// chained returns the groups in which most extents lie next to another one of the
// reading: the pieces of songs fill the disk, other numbers lie anywhere. Where no group
// is such, all stay.
func chained(groups []group) []group {
	starts, ends := map[int64]bool{}, map[int64]bool{}
	for _, g := range groups {
		for _, e := range g.extents {
			starts[e.start], ends[e.end()] = true, true
		}
	}
	var out []group
	for _, g := range groups {
		n := 0
		for _, e := range g.extents {
			if ends[e.start] || starts[e.end()] {
				n++
			}
		}
		if 2*n > len(g.extents) {
			out = append(out, g)
		}
	}
	if len(out) == 0 {
		return groups
	}
	return out
}

// sample is some extents of one group.
type sample struct {
	extents []extent
	share   float64 // how many of the group each of them stands for
}

// sampled returns some extents of every group, of the longest where there are many.
func sampled(groups []group) (out []sample) {
	if len(groups) > mostSampled/4 {
		groups = slices.Clone(groups)
		slices.SortStableFunc(groups, func(a, b group) int { return cmp.Compare(len(b.extents), len(a.extents)) })
		groups = groups[:mostSampled/4]
	}
	each := max(4, mostSampled/len(groups))
	for _, g := range groups {
		every := max(1, len(g.extents)/each)
		s := sample{share: float64(every)}
		for i := 0; i < len(g.extents); i += every {
			s.extents = append(s.extents, g.extents[i])
		}
		out = append(out, s)
	}
	return out
}

// bases returns where block 0 may lie: counted from the disk, from 0, 1 or 2 on, and where
// most extents begin at the start of some sound.
func (f *finder) bases(samples []sample, u disk.Sector) []disk.Sector {
	out := []disk.Sector{0, -u, -2 * u}
	votes := map[disk.Sector]int{}
	borders := f.sound[:min(mostBorders, len(f.sound))]
	for _, g := range samples {
		for i, e := range g.extents {
			if e.start > int64(f.n/u)+2 || i >= mostVotes {
				continue
			}
			for _, s := range borders {
				if base := s.Start - disk.Sector(e.start)*u; base >= -2*u {
					votes[base]++
				}
			}
		}
	}
	// The lowest block may be the first of the sound: the lowest of the longest groups, for
	// short ones are mostly other numbers.
	longest := slices.Clone(samples)
	slices.SortStableFunc(longest, func(a, b sample) int {
		return cmp.Compare(float64(len(b.extents))*b.share, float64(len(a.extents))*a.share)
	})
	lowest := int64(f.n)
	for i, g := range longest {
		for _, e := range g.extents {
			lowest = min(lowest, e.start)
		}
		if i < mostLowest {
			out = append(out, borders[0].Start-disk.Sector(lowest)*u)
		}
	}
	for range mostBases { // those with most votes
		best, most := disk.Sector(0), 0
		for b, n := range votes {
			if n > most || n == most && b < best {
				best, most = b, n
			}
		}
		if most == 0 {
			break
		}
		out = append(out, best)
		delete(votes, best)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// sounding counts the sectors of a span that are sound.
func (f *finder) sounding(s disk.Span) disk.Sector {
	return f.soundBefore(s.End()) - f.soundBefore(s.Start)
}

// soundBefore counts the sectors of sound before x.
func (f *finder) soundBefore(x disk.Sector) disk.Sector {
	i, _ := slices.BinarySearchFunc(f.sound, x, func(s disk.Span, x disk.Sector) int { return cmp.Compare(s.End(), x) })
	n := f.sums[i]
	if i < len(f.sound) {
		n += max(0, x-f.sound[i].Start)
	}
	return n
}

// score says how much of the sound is named by groups that lie in it.
func (f *finder) score(p placing, samples []sample) (sum float64) {
	for _, g := range samples {
		var in, all float64
		for _, e := range g.extents {
			all += float64(min(e.count, int64(f.n))) * float64(p.unit)
			if s := p.span(e, f.n); !s.Empty() {
				in += float64(f.sounding(s))
			}
		}
		sum += max(0, 2*in-all) * g.share
	}
	// What names much more than there is names some of it twice.
	if most := 1.5 * float64(f.sums[len(f.sound)]); sum > most {
		return 2*most - sum
	}
	return sum
}
