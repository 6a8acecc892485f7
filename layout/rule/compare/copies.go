package compare

import (
	"bytes"
	"encoding/binary"
	"math/bits"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// maxCompared bounds how many sheets are compared with each other.
const maxCompared = 1024

// copies finds sheets that repeat an earlier one on every disk, in any byte
// order, but for a few bytes of their own. A sector that holds little else than
// what differs must be repeated whole.
func (w *worker) copies() {
	sheets := w.sheets[:min(len(w.sheets), maxCompared)]
	if n := len(w.sheets); n > maxCompared { // both ends matter most
		sheets = append(slices.Clone(w.sheets[:maxCompared/2]), w.sheets[n-maxCompared/2:]...)
	}
	var pairs []CopyRule
	turned := make([][]turnedData, len(sheets))
	for j, to := range sheets {
		turned[j] = to.turns()
		for i, of := range sheets[:j] {
			if of.copy {
				continue
			}
			if order, own, ok := repeats(of, to, turned[i]); ok {
				pairs = append(pairs, to.take(of, order, own))
				break
			}
		}
	}
	pairs = append(pairs, inStep(sheets, pairs)...)
	w.c.Copies = join(pairs)
}

// stepReach is how many sectors beside a copy another is looked for.
const stepReach = 8

// inStep finds copies of sectors that hold too little to be known by
// themselves, but lie beside an original and a copy that are known.
func inStep(sheets []*sheet, pairs []CopyRule) (found []CopyRule) {
	bySector := sheetsBySector(sheets)
	for _, p := range pairs {
		for k := disk.Sector(-stepReach); k <= stepReach; k++ {
			of := bySector[p.Of.After(k)]
			for _, at := range []candidate.Place{p.To.After(k), p.To.After(-k)} {
				to := bySector[at]
				if of == nil || to == nil || of == to || of.copy || to.copy || of.at.Compare(to.at) > 0 {
					continue
				}
				own, ok := ownBytes(of, to, p.Order)
				if !ok {
					continue
				}
				if _, differ, mine := overlap(to, own); differ > 0 && mine <= numberBytes {
					found = append(found, to.take(of, p.Order, own))
				}
			}
		}
	}
	return found
}

// take makes s a copy: what it does not have of its own is explained.
func (s *sheet) take(of *sheet, order image.Order, own []bool) CopyRule {
	s.copy, s.own = true, own
	for i := range s.done {
		s.done[i] = !own[i]
	}
	rule := CopyRule{Repeat: candidate.Repeat{Of: of.at, To: s.at, Count: 1, Order: order}}
	for _, st := range stretches(own) {
		rule.Own = append(rule.Own, Stretch{candidate.Place{From: s.at.From, Sector: s.at.Sector, Byte: st[0]}, st[1] - st[0],
			CopyNumber})
	}
	return rule
}

// repeats tells whether to repeats of on every disk: at least half of what is
// not zero, and 8 bytes, and one byte that differs between the disks, must be
// the same; or all but a copy number, and what differs must be beyond chance.
func repeats(of, to *sheet, turned []turnedData) (image.Order, []bool, bool) {
	for _, t := range turned {
		if !alike(t.data, to.data[0]) {
			continue // as nearly all pairs
		}
		order := t.order
		own, ok := ownBytes(of, to, order)
		if !ok {
			continue
		}
		same, differ, mine := overlap(to, own)
		if same >= 8 && same >= mine && differ > 0 || mine <= numberBytes &&
			float64(8*differ*of.contents()) >= bar+cost(maxCompared*maxCompared) {
			return order, own, true
		}
	}
	return 0, nil, false
}

// turnedData is what a sheet holds on the first disk, read in one byte order.
type turnedData struct {
	order image.Order
	data  []byte
}

// turns returns the sheet in every byte order that makes a difference.
func (s *sheet) turns() []turnedData {
	out := []turnedData{{image.Plain, s.data[0]}}
	for _, order := range []image.Order{image.Swap16, image.Swap32} {
		t := slices.Clone(s.data[0])
		order.Turn(t)
		if !slices.Equal(t, s.data[0]) {
			out = append(out, turnedData{order, t})
		}
	}
	return out
}

// overlap counts the bytes of a copy: the same as the original and not zero,
// the same and different from disk to disk, and its own.
func overlap(to *sheet, own []bool) (same, differ, mine int) {
	for i, b := range to.data[0] {
		switch {
		case own[i]:
			mine++
			continue
		case b != 0:
			same++
		}
		if to.diff[i] {
			differ++
		}
	}
	return same, differ, mine
}

// contents returns how many different contents a sector has on the disks.
func (s *sheet) contents() int {
	seen := map[string]bool{}
	for _, b := range s.data {
		seen[string(b)] = true
	}
	return len(seen)
}

// numberBytes is how long a copy number can be.
const numberBytes = 2

// alike is a quick look at one disk: of the bytes that are not zero in both sectors, half
// at least are the same. It looks at nearly all pairs of sectors, so it takes eight bytes
// at a time; sectors hold whole ones.
func alike(a, b []byte) bool {
	differ, used := 0, 0
	for i := 0; i+8 <= len(a); i += 8 {
		x, y := binary.LittleEndian.Uint64(a[i:]), binary.LittleEndian.Uint64(b[i:])
		if x|y == 0 {
			continue // as most of a sector with a table
		}
		differ += nonZero(x ^ y)
		used += nonZero(x | y)
	}
	same := used - differ // two bytes that differ are not both zero
	return same > 0 && 2*same >= used
}

// nonZero counts the bytes of a word that are not zero: adding 7F to the low bits of a
// byte carries into its high bit unless they are all zero.
func nonZero(x uint64) int {
	const low = 0x7F7F7F7F7F7F7F7F
	return bits.OnesCount64((x&low + low | x) &^ low)
}

// ownBytes tells which bytes of to are not those of of on some disk.
func ownBytes(of, to *sheet, order image.Order) (own []bool, ok bool) {
	turned := slices.Clone(of.data[0])
	order.Turn(turned)
	if !alike(turned, to.data[0]) {
		return nil, false
	}
	own = make([]bool, len(to.diff))
	for d := range to.data {
		copy(turned, of.data[d])
		order.Turn(turned)
		for i, b := range to.data[d] {
			own[i] = own[i] || b != turned[i]
		}
	}
	return own, true
}

// stretches returns the runs of true in m as [start, end).
func stretches(m []bool) (out [][2]int) {
	for i := 0; i < len(m); i++ {
		if !m[i] {
			continue
		}
		j := i
		for j < len(m) && m[j] {
			j++
		}
		out = append(out, [2]int{i, j})
		i = j
	}
	return out
}

// join makes one rule of pairs that lie one behind the other, forward or back.
func join(pairs []CopyRule) (out []CopyRule) {
	slices.SortStableFunc(pairs, func(a, b CopyRule) int { return a.Of.Compare(b.Of) })
	for _, p := range pairs {
		joined := false
		for i := range out {
			r := &out[i]
			if r.Order != p.Order || r.Of.After(r.Count) != p.Of || len(r.Own)+len(p.Own) > maxOwn {
				continue
			}
			switch p.To {
			case r.To.After(r.Count):
				joined = !r.Back || r.Count == 1
				r.Back = r.Back && !joined
			case r.To.After(-r.Count):
				joined = r.Back || r.Count == 1
				r.Back = r.Back || joined
			}
			if joined {
				r.Count++
				r.Own = append(r.Own, p.Own...)
				break
			}
		}
		if !joined {
			out = append(out, p)
		}
	}
	return out
}

// within tells whether the rule repeats into the sector at p.
func (c *CopyRule) within(p candidate.Place) bool {
	i := p.At(0) - c.To.At(0)
	if c.Back {
		i = -i
	}
	return p.From == c.To.From && i >= 0 && i < c.Count
}

// owned tells which bytes of the i-th copy are its own.
func (c *CopyRule) owned(i disk.Sector, size int) []bool {
	_, to := c.Pair(i)
	out := make([]bool, size)
	for _, s := range c.Own {
		if s.SectorStart() == to {
			for b := s.Byte; b < s.Byte+s.Count; b++ {
				out[b] = true
			}
		}
	}
	return out
}

// checksOfCopies gives each copy of a sector with a checksum, of which the copy
// has bytes of its own, the same checksum over its own bytes, where that is right
// on every disk: a copy with a number in it is summed up with the number.
func (w *worker) checksOfCopies() {
	bySector := sheetsBySector(w.sheets)
	for i := range w.c.Copies {
		rule := &w.c.Copies[i]
		for x := range rule.Count {
			of, to := rule.Pair(x)
			for _, c := range slices.Clone(w.c.Checks) {
				if c.SectorStart() != of || rule.Order != image.Plain || len(w.c.Checks) == maxChecks {
					continue
				}
				mine, ok := w.checkOfCopy(c, of, to, bySector[to])
				if !ok {
					continue
				}
				w.c.Checks = append(w.c.Checks, mine)
				rule.own(bySector[to], mine.Byte, mine.Width)
			}
		}
	}
}

// checkOfCopy returns the checksum c of the sector of as that of its copy, if the
// copy has a byte of it of its own and it is right on every disk.
func (w *worker) checkOfCopy(c Check, of, to candidate.Place, s *sheet) (mine Check, ok bool) {
	if s == nil || !slices.Contains(s.own[c.Byte:c.Byte+c.Width], true) {
		return c, false
	}
	has := func(d Check) bool { return d.SectorStart() == to && d.Byte < c.Byte+c.Width && c.Byte < d.Byte+d.Width }
	if slices.ContainsFunc(w.c.Checks, has) {
		return c, false
	}
	mine = c
	mine.From, mine.Sector, mine.Ways = to.From, to.Sector, nil
	for _, way := range c.Ways {
		if way.Start.SectorStart() != of || way.Start.Byte+int(way.Count) > w.c.SectorSize {
			continue
		}
		way.Start.From, way.Start.Sector = to.From, to.Sector
		if sumHolds(way, s) {
			mine.Ways = append(mine.Ways, way)
		}
	}
	return mine, len(mine.Ways) > 0 && mine.Ways[0].Byte == mine.Byte
}

// sumHolds tells whether a checksum inside one sector is right on every disk.
func sumHolds(way SumWay, s *sheet) bool {
	algorithm, err := candidate.SumOf(way.Sum)
	if err != nil {
		return false
	}
	for _, d := range s.data {
		b := bytes.Clone(d)
		blankOut(b, way.Byte, algorithm.Width)
		way.Order.Turn(b)
		want, err := encode(way.Encoding, algorithm.Of(b[way.Start.Byte:way.Start.Byte+int(way.Count)]))
		if err != nil || !bytes.Equal(want, d[way.Byte:way.Byte+len(want)]) {
			return false
		}
	}
	return true
}

// own notes that the copy does not get some bytes of s from its original.
func (c *CopyRule) own(s *sheet, at, width int) {
	for i := at; i < at+width; i++ {
		s.own[i], s.done[i] = true, true
	}
	c.Own = slices.DeleteFunc(c.Own, func(x Stretch) bool { return x.SectorStart() == s.at })
	for _, st := range stretches(s.own) {
		p := s.at
		p.Byte = st[0]
		c.Own = append(c.Own, Stretch{p, st[1] - st[0], CopyNumber})
	}
}
