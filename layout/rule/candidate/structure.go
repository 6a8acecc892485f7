package candidate

import (
	"math"

	"bootgraft/image/disk"
)

// run is a run of sectors of one look; its sheets are those from first to last.
type run struct {
	disk.Span
	look        look
	first, last int // in looker.sheets, last excluded
}

// structures divides the areas where the look of the sectors changes, or where
// the entropy of data jumps.
func (l *looker) structures() {
	var runs []run
	next := 0
	for _, a := range l.areas {
		runs = append(runs, absorb(l.looks(a, &next))...)
	}
	for _, r := range runs {
		for _, part := range l.jumps(r) {
			s := Structure{Span: part.Span, Looks: part.look.String()}
			for _, x := range l.sheets[part.first:part.last] {
				s.Entropy += float64(x.entropy) / float64(part.last-part.first)
			}
			s.Entropy = math.Round(s.Entropy*100) / 100
			l.out.Structures = append(l.out.Structures, s)
		}
	}
}

// looks returns the runs of one look in an area. next is the first sheet at or
// after it, and moves on.
func (l *looker) looks(a Area, next *int) (out []run) {
	put := func(s disk.Span, k look) {
		if s.Empty() {
			return
		}
		sheets := 1
		if k == lookBlank || k == lookUnknown {
			sheets = 0
		}
		if n := len(out); n > 0 && out[n-1].look == k {
			out[n-1].Count += s.Count
			out[n-1].last = *next + sheets
			return
		}
		out = append(out, run{s, k, *next, *next + sheets})
	}
	at := a.Start
	empty := func(until disk.Sector) { // between sheets: blank or not known
		for _, u := range l.unknown.Within(disk.Between(at, until)) {
			put(disk.Between(at, u.Start), lookBlank)
			put(u, lookUnknown)
			at = u.End()
		}
		put(disk.Between(at, until), lookBlank)
	}
	for ; *next < len(l.sheets) && l.sheets[*next].at < a.End(); *next++ {
		s := &l.sheets[*next]
		empty(s.at)
		put(disk.Span{Start: s.at, Count: 1}, s.look)
		at = s.at + 1
	}
	empty(a.End())
	return out
}

// absorb takes one or two sectors of another look into the run around them:
// a page of text inside code is no border.
func absorb(runs []run) (out []run) {
	for i := 0; i < len(runs); i++ {
		n := len(out)
		small := runs[i].Count <= 2 && runs[i].look != lookBlank && runs[i].look != lookUnknown
		if n > 0 && i+1 < len(runs) && small && out[n-1].look == runs[i+1].look && out[n-1].look != lookBlank &&
			out[n-1].Count > 2 {
			out[n-1].Count += runs[i].Count + runs[i+1].Count
			out[n-1].last = runs[i+1].last
			i++
			continue
		}
		out = append(out, runs[i])
	}
	return out
}

// A border inside data: the mean entropy of this many sectors after it differs
// from that of as many before it by this many bits a byte.
const (
	jumpSectors = 8
	jumpBits    = 1.5
)

// jumps divides a run of data where its entropy jumps.
func (l *looker) jumps(r run) []run {
	n := r.last - r.first
	if r.look != lookData || n < 2*jumpSectors || disk.Sector(n) != r.Count {
		return []run{r}
	}
	sum := make([]float64, n+1)
	for i := range n {
		sum[i+1] = sum[i] + float64(l.sheets[r.first+i].entropy)
	}
	jump := func(i int) float64 {
		if i < jumpSectors || i+jumpSectors > n {
			return 0
		}
		return math.Abs(sum[i+jumpSectors]-2*sum[i]+sum[i-jumpSectors]) / jumpSectors
	}
	var out []run
	start := 0
	cut := func(i int) {
		out = append(out, run{disk.Span{Start: r.Start + disk.Sector(start), Count: disk.Sector(i - start)}, r.look,
			r.first + start, r.first + i})
		start = i
	}
	for i := jumpSectors; i+jumpSectors <= n; i++ {
		best := jump(i) >= jumpBits
		for j := max(0, i-jumpSectors); best && j <= i+jumpSectors; j++ {
			best = jump(j) < jump(i) || jump(j) == jump(i) && j >= i
		}
		if best {
			cut(i)
			i += jumpSectors
		}
	}
	cut(n)
	return out
}

// starts returns the sectors where something starts: the first ones of all
// structures that are not blank, at most most, from both ends of the areas.
func (l *looker) starts(most int) []disk.Sector {
	var all []disk.Sector
	for _, s := range l.out.Structures {
		if s.Looks != lookBlank.String() && s.Looks != lookUnknown.String() {
			all = append(all, s.Start)
		}
	}
	if len(all) > most {
		all = append(all[:most/2:most/2], all[len(all)-most/2:]...)
	}
	return all
}

// Where fields usually lie: in the first and last sectors of the areas, most
// of all at the very ends of the disk, and in the first ones of every structure.
const (
	edgeHead   = 32
	edgeTail   = 8
	nearEnds   = 128
	nearStart  = 4
	nearStarts = 64
)

// nearSector is a sector near a border, kept while looking. Content is among
// them only where something may point at it.
type nearSector struct {
	at   disk.Sector
	data []byte
	edge bool // at the very ends
}

// nearby lists the sectors in which numbers are looked for first.
func (l *looker) nearby() disk.Spans {
	var spans []disk.Span
	for _, a := range l.areas {
		spans = append(spans, disk.Span{Start: a.Start, Count: min(nearEnds, a.Count)},
			disk.Between(max(a.Start, a.End()-nearEnds), a.End()))
	}
	if len(spans) > 64 { // many small gaps: those at both ends of the disk
		spans = append(spans[:32:32], spans[len(spans)-32:]...)
	}
	for _, x := range l.starts(nearStarts) {
		spans = append(spans, disk.Span{Start: x, Count: nearStart})
	}
	return disk.NewSpans(spans...)
}

// readNear reads what is searchable of the sectors near a border.
func (l *looker) readNear() error {
	near := l.nearby()
	for i := range l.sheets {
		s := &l.sheets[i]
		if !s.look.searchable() {
			continue
		}
		if !near.Holds(s.at) {
			l.farArea += int64(l.size)
			continue
		}
		b, ok, err := l.sector(s.at)
		if err != nil {
			return err
		}
		if ok {
			l.near = append(l.near, nearSector{s.at, b,
				s.at < l.areas[0].Start+edgeHead || s.at >= l.areas[len(l.areas)-1].End()-edgeTail})
		}
	}
	return l.ctx.Err()
}
