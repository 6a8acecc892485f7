package compare

import (
	"slices"

	"bootgraft/image"
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
	for j, to := range sheets {
		for _, of := range sheets[:j] {
			if of.copy {
				continue
			}
			order, own, ok := repeats(of, to)
			if !ok {
				continue
			}
			to.take(own)
			rule := CopyRule{Of: of.at, To: to.at, Count: 1, Order: order}
			for _, st := range stretches(own) {
				rule.Own = append(rule.Own, Stretch{Place{to.at.From, to.at.Sector, st[0]}, st[1] - st[0], CopyNumber})
			}
			pairs = append(pairs, rule)
			break
		}
	}
	w.c.Copies = join(pairs)
}

// take marks what the copy does not have of its own as explained.
func (s *sheet) take(own []bool) {
	s.copy, s.own = true, own
	for i := range s.done {
		s.done[i] = !own[i]
	}
}

// repeats tells whether to repeats of on every disk: at least half of what is
// not zero, and 8 bytes, and one byte that differs between the disks, must be
// the same; or everything, with 3 bytes that differ.
func repeats(of, to *sheet) (image.Order, []bool, bool) {
	for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
		if order != image.Plain && symmetric(of.data[0], order) {
			continue
		}
		own, ok := ownBytes(of, to, order)
		if !ok {
			continue
		}
		same, differ, mine := 0, 0, 0
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
		if same >= 8 && same >= mine && differ > 0 || mine == 0 && differ >= 3 {
			return order, own, true
		}
	}
	return 0, nil, false
}

// alike is a quick look at one disk.
func alike(a, b []byte) bool {
	same, used := 0, 0
	for i := range a {
		if a[i] != 0 || b[i] != 0 {
			used++
			if a[i] == b[i] {
				same++
			}
		}
	}
	return same >= 3 && 2*same >= used
}

func symmetric(b []byte, order image.Order) bool {
	t := slices.Clone(b)
	order.Turn(t)
	return slices.Equal(t, b)
}

// ownBytes tells which bytes of to are not those of of on some disk.
func ownBytes(of, to *sheet, order image.Order) (own []bool, ok bool) {
	own = make([]bool, len(to.diff))
	turned := make([]byte, len(to.diff))
	for d := range to.data {
		copy(turned, of.data[d])
		order.Turn(turned)
		if d == 0 && !alike(turned, to.data[d]) {
			return nil, false
		}
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
	slices.SortStableFunc(pairs, func(a, b CopyRule) int { return a.Of.compare(b.Of) })
	for _, p := range pairs {
		joined := false
		for i := range out {
			r := &out[i]
			if r.Order != p.Order || r.Of.after(r.Count) != p.Of {
				continue
			}
			switch p.To {
			case r.To.after(r.Count):
				joined = !r.Back || r.Count == 1
				r.Back = r.Back && !joined
			case r.To.after(-r.Count):
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
func (c *CopyRule) within(p Place) bool {
	for i := range c.Count {
		if _, to := c.Pair(i); to == p.sector() {
			return true
		}
	}
	return false
}

// ownAt tells whether the copy has this byte of its own.
func (c *CopyRule) ownAt(p Place) bool {
	return slices.ContainsFunc(c.Own, func(s Stretch) bool {
		return s.Place.sector() == p.sector() && p.Byte >= s.Byte && p.Byte < s.Byte+s.Count
	})
}
