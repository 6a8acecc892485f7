package candidate

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Repeat is a run of sectors that repeats another one: forward, or back with
// the last sector first.
type Repeat struct {
	Of    Place       `json:"of"`    // first sector of the original
	To    Place       `json:"to"`    // the copy of that sector
	Count disk.Sector `json:"count"` // sectors
	Back  bool        `json:"back"`  // the copy of the next sector lies before To
	Order image.Order `json:"order"` // byte order of the copy, seen from the original
}

// Pair returns the i-th sector of the original and of the copy.
func (r *Repeat) Pair(i disk.Sector) (of, to Place) {
	if r.Back {
		return r.Of.After(i), r.To.After(-i)
	}
	return r.Of.After(i), r.To.After(i)
}

// Copy is a run that repeats another one on one disk.
type Copy struct {
	Repeat
	Turned   string    // byte order of the copy as the original reads
	Own      []Stretch // bytes of every sector that the copy has for itself
	Blocks   bool
	Number   bool
	ByChance float64
}

// Stretch is a run of bytes at the same place of several sectors.
type Stretch struct {
	Byte  int
	Count int
}

// Text describes the copy in one line.
func (m *Copy) Text() string {
	how := "repeat"
	if m.Count == 1 {
		how = "repeats"
	}
	text := fmt.Sprintf("%s from %s on %s", countText(m.Count), m.To.SectorText(), how)
	if m.Back {
		text = fmt.Sprintf("%s back from %s %s", countText(m.Count), m.To.SectorText(), how)
	}
	text += fmt.Sprintf(" those from %s on", m.Of.SectorText())
	if m.Blocks {
		text += ", a block of a copy whose blocks lie in reverse order"
	}
	if m.Order != image.Plain {
		text += ", " + m.Order.String()
	}
	for _, o := range m.Own {
		text += fmt.Sprintf(", but for %s at byte %d", disk.Counted(o.Count, "byte"), o.Byte)
	}
	if m.Number {
		text += ", which may be a copy number"
	}
	return text
}

func countText(n disk.Sector) string {
	if n == 1 {
		return "1 sector"
	}
	return fmt.Sprintf("%d sectors", n)
}

// pair says that sector to repeats sector of.
type pair struct {
	of, to  disk.Sector
	order   int // index into orders
	changes int // in the original
	own     []Stretch
}

var orders = [...]image.Order{image.Plain, image.Swap16, image.Swap32}

// maxTwins is how often a sector may be there before it counts as a filling.
const maxTwins = 8

// copies finds sectors that are there more than once, and joins them to runs.
func (l *looker) copies() error {
	pairs := l.exactPairs()
	like, err := l.likePairs(pairs)
	if err != nil {
		return err
	}
	pairs = append(pairs, like...)
	runs := append(l.joined(pairs, 1), l.joined(pairs, -1)...)
	list := l.chosen(runs)
	l.blocks(list)
	tried := math.Pow(float64(len(l.sheets)), 2) * float64(len(orders))
	for _, r := range list {
		by := tried * math.Exp2(-4*float64(r.changes))
		if by > barMirror {
			continue
		}
		run := Repeat{l.place(r.of, 0), l.copyPlace(r.of, r.to), r.count, r.step < 0 && r.count > 1, orders[r.order]}
		m := Copy{Repeat: run, Own: r.own, Blocks: r.block, ByChance: roundUp(by)}
		m.Turned = m.Order.String()
		m.Number = len(r.own) == 1 && r.own[0].Count == 1
		l.out.Copies = append(l.out.Copies, m)
	}
	l.out.Copies = shorten(l.out.Copies, maxMirrors, &l.out.Left)
	return nil
}

// copyPlace says from where a copy is counted: from the end in an area of which
// nothing else is known, if its original lies in another one.
func (l *looker) copyPlace(of, to disk.Sector) Place {
	if a := l.area(to); l.areas[a].From == "" && a != l.area(of) {
		return Place{layout.FromEnd, l.n - to, 0}
	}
	return l.place(to, 0)
}

// minChanges is how many bytes of a sector must be unlike the one before for
// it to count as something that a copy can be known by.
const minChanges = 12

// exactPairs finds sectors that are the same, in any byte order.
func (l *looker) exactPairs() (out []pair) {
	twins := map[uint64][]int32{}
	for i := range l.sheets {
		s := &l.sheets[i]
		if s.changes < minChanges || s.look == lookPattern {
			continue
		}
		for o := range orders {
			if o > 0 && s.hash[o] == s.hash[0] {
				continue
			}
			of := twins[s.hash[o]]
			if len(of) > maxTwins {
				continue
			}
			for _, k := range of {
				out = append(out, pair{l.sheets[k].at, s.at, o, int(min(s.changes, l.sheets[k].changes)), nil})
			}
		}
		twins[s.hash[0]] = append(twins[s.hash[0]], int32(i))
	}
	return slices.DeleteFunc(out, func(p pair) bool {
		return len(twins[l.sheetAt(p.of).hash[0]]) > maxTwins
	})
}

// same tells whether sector b repeats sector a, both blank included.
func (l *looker) same(a, b disk.Sector, order int) bool {
	if l.unknown.Holds(a) || l.unknown.Holds(b) {
		return false
	}
	x, y := l.sheetAt(a), l.sheetAt(b)
	if x == nil || y == nil {
		return x == y && l.inside(a) && l.inside(b)
	}
	return x.hash[0] == y.hash[order]
}

func (l *looker) inside(x disk.Sector) bool {
	return slices.ContainsFunc(l.areas, func(a Area) bool { return a.Holds(x) })
}

// mirrorRun is a run of pairs.
type mirrorRun struct {
	pair
	count disk.Sector
	step  disk.Sector // 1 forward, -1 back
	block bool
}

// maxBridge is how many sectors a copy may need to have blank in between.
const maxBridge = 64

// joined joins pairs that lie one behind the other: of goes up by one, to by
// step.
func (l *looker) joined(pairs []pair, step disk.Sector) (out []mirrorRun) {
	sorted := slices.Clone(pairs)
	key := func(p pair) disk.Sector { return p.to - step*p.of }
	slices.SortStableFunc(sorted, func(a, b pair) int {
		return cmp.Or(cmp.Compare(a.order, b.order), cmp.Compare(key(a), key(b)), cmp.Compare(a.of, b.of))
	})
	for _, p := range sorted {
		if n := len(out); n > 0 {
			r := &out[n-1]
			next := p.of - r.of
			if r.order == p.order && key(r.pair) == key(p) && slices.Equal(r.own, p.own) && next >= r.count &&
				next <= r.count+maxBridge && l.bridge(r, next) {
				r.count = next + 1
				r.changes = min(r.changes+p.changes, 1<<12)
				continue
			}
		}
		out = append(out, mirrorRun{p, 1, step, false})
	}
	return out
}

// bridge tells whether the sectors between a run and its next pair are the
// same too.
func (l *looker) bridge(r *mirrorRun, next disk.Sector) bool {
	for i := r.count; i < next; i++ {
		if !l.same(r.of+i, r.to+r.step*i, r.order) {
			return false
		}
	}
	return true
}

// chosen gives every copied sector to the longest run that explains it.
func (l *looker) chosen(runs []mirrorRun) (out []mirrorRun) {
	slices.SortStableFunc(runs, func(a, b mirrorRun) int {
		return cmp.Or(cmp.Compare(b.count, a.count), cmp.Compare(a.order, b.order), cmp.Compare(a.of, b.of),
			cmp.Compare(b.to, a.to))
	})
	taken := map[disk.Sector]bool{}
	for _, r := range runs {
		free := true
		for i := disk.Sector(0); free && i < r.count; i++ {
			free = !taken[r.to+r.step*i]
		}
		if !free {
			continue
		}
		for i := range r.count {
			taken[r.to+r.step*i] = true
		}
		out = append(out, r)
	}
	slices.SortStableFunc(out, func(a, b mirrorRun) int { return cmp.Compare(a.of, b.of) })
	return out
}

// blocks finds copies whose blocks lie in reverse order while the sectors
// inside a block go forward: what the first sector of a block and the last of
// its copy add up to is the same for all blocks. Blank sectors at the start of
// a block belong to it if that makes the sum right.
func (l *looker) blocks(list []mirrorRun) {
	sums := map[disk.Sector]int{}
	for _, r := range list {
		if r.step < 0 || r.count == 1 {
			sums[r.of+r.to]++
		}
	}
	for i := range list {
		r := &list[i]
		if r.step < 0 || r.count == 1 {
			r.block = r.block || sums[r.of+r.to] > 1
			continue
		}
		for ext := disk.Sector(0); ext <= 3; ext++ {
			if ext > 0 && !l.same(r.of-ext, r.to-ext, r.order) {
				break
			}
			if sums[r.of-ext+r.to+r.count-1] > 0 {
				r.of, r.to, r.count, r.block = r.of-ext, r.to-ext, r.count+ext, true
				break
			}
		}
	}
}
