package join

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// extent is a run of blocks, by their numbers.
type extent struct{ start, count int64 }

func (e extent) end() int64 { return e.start + e.count }

func (e extent) shares(o extent) bool { return e.start < o.end() && o.start < e.end() }

// group is a run of extents that a table names one after the other.
type group struct {
	at      int // byte of the sheet of its first number
	extents []extent
}

// blocks returns how many blocks a group names.
func (g *group) blocks() (n int64) {
	for _, e := range g.extents {
		n += e.count
	}
	return n
}

// reading is a sheet read in one way, and what came of placing it.
type reading struct {
	sheet  *sheet
	kind   Kind
	form   *candidate.Form
	stride int
	groups []group
	tried  int     // groups before some were left out
	ends   []int64 // where extents of all of these end, in order, each once

	unit, base disk.Sector
	others     []disk.Sector // other sizes of a block that fit about as well
	songs      []song
	covers     disk.Sector // sectors of sound that are named
	cut        disk.Sector // sectors that are named too, and are no sound
	log        float64     // natural logarithm of the chance of it, without the number of trials
}

// Bounds of what is taken for numbers of blocks: by hand, no source.
const (
	mostNumbers  = 1 << 16 // of one group
	fewestBlocks = 3       // of one list: fewer say nothing
	fewestSteps  = 0.2     // share of numbers that follow their neighbour, where all values of 16 bits occur
	mostInside   = 64      // bytes of a list of records in which a longer one may begin
	mostOverlaid = 1 << 22 // records that turn out to share blocks, of one sheet
	highest16    = 60_000  // a list of numbers below this does not hold all values of 16 bits
)

// numbers decodes a sheet from byte phase on, one number every stride bytes.
func numbers(s *sheet, form *candidate.Form, phase, stride int) []int64 {
	out := make([]int64, 0, len(s.data)/stride)
	for at := phase; at+form.Width <= len(s.data); at += stride {
		v, _ := form.Decode(s.data[at:])
		out = append(out, int64(v))
	}
	return out
}

// lists reads a sheet as lists of numbers, alone or in every second place.
func lists(s *sheet, form *candidate.Form, n disk.Sector) (out []reading) {
	for _, stride := range []int{form.Width, 2 * form.Width} {
		for phase := 0; phase < stride; phase += 2 {
			r := reading{sheet: s, kind: List, form: form, stride: stride}
			v := numbers(s, form, phase, stride)
			for from := 0; from < len(v); {
				to := from
				for to < len(v) && to-from < mostNumbers && v[to] > 0 && v[to] < int64(n) && !full(v[to], form.Width) {
					to++
				}
				if to-from >= fewestBlocks && orderly(v[from:to], form.Width) {
					r.groups = append(r.groups, group{phase + from*stride, merged(v[from:to])})
				}
				from = max(to, from+1)
			}
			if len(r.groups) > 0 {
				out = append(out, r)
			}
		}
	}
	return out
}

// full tells whether every bit of a number is set, which marks an end.
func full(v int64, width int) bool { return v == 1<<(8*width)-1 }

// orderly tells whether numbers may be a list: a block is named once, and they are not
// simply all that may stand there.
func orderly(v []int64, width int) bool {
	sorted := slices.Clone(v)
	slices.Sort(sorted)
	twice := len(v) - len(slices.Compact(sorted))
	if twice*20 > len(v) {
		return false
	}
	if width > 2 {
		return true
	}
	steps := 0
	for i := 1; i < len(v); i++ {
		if v[i] == v[i-1]+1 {
			steps++
		}
	}
	return sorted[len(sorted)-twice-1] < highest16 || float64(steps) >= fewestSteps*float64(len(v))
}

// merged makes extents of numbers that follow each other.
func merged(v []int64) (out []extent) {
	for _, x := range v {
		if n := len(out); n > 0 && out[n-1].end() == x {
			out[n-1].count++
			continue
		}
		out = append(out, extent{x, 1})
	}
	return out
}

// beyond are the bytes of a record beyond its two numbers.
var beyond = []int{0, 4, 8, 12, 16, 24, 56}

// extents reads a sheet as records of a first block and a count.
func extents(s *sheet, form *candidate.Form, n disk.Sector) (out []reading) {
	w := form.Width
	// Every number once: record by record it is looked up.
	v := numbers(s, form, 0, 2)
	good := func(at int) bool {
		if at+2*w > len(s.data) {
			return false
		}
		start, count := v[at/2], v[at/2+w/2]
		return start >= 0 && count > 0 && start+count <= int64(n)
	}
	for _, more := range beyond {
		r := reading{sheet: s, kind: Extents, form: form, stride: 2*w + more}
		// records are those from byte at on that share no block with those just before.
		records := func(at int) group {
			g := group{at: at}
			for ; good(at) && len(g.extents) < mostNumbers; at += r.stride {
				e := extent{v[at/2], v[at/2+w/2]}
				if slices.ContainsFunc(g.extents[max(0, len(g.extents)-4):], e.shares) {
					break
				}
				g.extents = append(g.extents, e)
			}
			return g
		}
		for at, work := 0, mostOverlaid; at+2*w <= len(s.data) && work > 0; at += 2 {
			best := records(at)
			// Inside of what looks like records a longer list may begin.
			end := at + len(best.extents)*r.stride
			for from := at + 2; from < min(end, at+mostInside); from += 2 {
				if g := records(from); len(g.extents) > len(best.extents) {
					best = g
				}
			}
			if len(best.extents) < 2 || !apart(best.extents) {
				work -= 1 + len(best.extents)
				continue
			}
			r.groups = append(r.groups, best)
			at = best.at + len(best.extents)*r.stride - 2
		}
		if len(r.groups) > 0 {
			out = append(out, r)
		}
	}
	return out
}

// apart tells whether no two extents share a block.
func apart(list []extent) bool {
	sorted := slices.Clone(list)
	slices.SortFunc(sorted, func(a, b extent) int { return int(a.start - b.start) })
	for i := 1; i < len(sorted); i++ {
		if sorted[i-1].end() > sorted[i].start {
			return false
		}
	}
	return true
}

// nexts reads a sheet as a table in which each block names the next. Where block 0 stands
// in it is where most entries name the block after their own.
func nexts(s *sheet, form *candidate.Form, _ disk.Sector) (out []reading) {
	w := form.Width
	v := numbers(s, form, 0, w)
	count := map[int64]int{}
	for i, x := range v {
		if x > 1 && !full(x, w) {
			count[x-int64(i)]++
		}
	}
	mode, most := int64(0), 0
	for d, c := range count {
		if c > most || c == most && d < mode {
			mode, most = d, c
		}
	}
	if most < 8 || most*10 < len(count) {
		return nil
	}
	// Entry i of the sheet is block i+mode-1: it names i+mode, the next.
	shift := mode - 1
	t := nextTable{v: v, shift: shift, from: int(max(0, -shift))}
	t.to = len(v)
	r := reading{sheet: s, kind: Next, form: form, stride: w, groups: t.chains(w)}
	if len(r.groups) == 0 {
		return nil
	}
	return []reading{r}
}

// nextTable is a table of next blocks: entry i belongs to block i+shift.
type nextTable struct {
	v        []int64
	shift    int64
	from, to int
}

// next returns the entry that entry i names, or -1.
func (t *nextTable) next(i int) int {
	x := t.v[i] - t.shift
	if t.v[i] <= 0 || x < int64(t.from) || x >= int64(t.to) || x == int64(i) {
		return -1
	}
	return int(x)
}

// chains follows every chain from a block that nobody names. A block that two name ends
// the chain that comes to it later.
func (t *nextTable) chains(width int) (out []group) {
	named := make([]bool, len(t.v))
	for i := t.from; i < t.to; i++ {
		if x := t.next(i); x >= 0 {
			named[x] = true
		}
	}
	ends := t.ends(named)
	seen := make([]bool, len(t.v))
	for i := t.from; i < t.to; i++ {
		if named[i] || t.next(i) < 0 && !ends[t.v[i]] {
			continue
		}
		var blocks []int64
		for at := i; at >= 0 && !seen[at]; at = t.next(at) {
			seen[at] = true
			blocks = append(blocks, int64(at)+t.shift)
		}
		out = append(out, group{i * width, merged(blocks)})
	}
	return out
}

// ends returns the values with which chains end: what stands, other than 0, in an entry
// that is named and names none.
func (t *nextTable) ends(named []bool) map[int64]bool {
	out := map[int64]bool{}
	for i := t.from; i < t.to; i++ {
		if named[i] && t.next(i) < 0 && t.v[i] != 0 {
			out[t.v[i]] = true
		}
	}
	return out
}
