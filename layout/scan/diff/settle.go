package diff

import (
	"cmp"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// rank is that of the most usual meaning.
func (h *hit) rank() int { return h.f.list[h.same[0]].rank }

// read makes the reading of a hit. Where the same bytes were a number about
// the size before, the field is known for one: then only what may follow it in
// that place counts as chance.
func (n *numbers) read(h *hit) Reading {
	p := &h.f.list[h.same[0]]
	r := Reading{
		Sector: h.e.at, Byte: h.at, Width: h.f.Width, Encoding: h.f.Encoding,
		Value: n.sizes[p.size].Value, ByChance: n.expected(score(h.chance, p.rank)),
	}
	meaning := p.size
	was := h.e.was[h.at : h.at+h.f.Width]
	if r.Was, r.WasNumber = h.f.Decode(was); r.WasNumber {
		field := float64(h.f.windows*2*len(h.f.list)) * h.f.likely(was, nil)
		if k := n.ofDrive(h, r.Was); k >= 0 {
			meaning, r.WasDrive = k, true
			r.ByChance = min(r.ByChance, h.chance*max(1, field))
		} else if same := h.f.byValue[r.Was]; len(same) > 0 {
			r.WasMeaning = n.sizes[h.f.list[same[0]].size].Meaning
			r.ByChance = min(r.ByChance, 2*h.live*max(1, field))
		}
	}
	r.Meaning = n.sizes[meaning].Meaning
	for _, k := range h.same {
		if s := h.f.list[k].size; s != meaning {
			r.Also = append(r.Also, n.sizes[s].Meaning)
		}
	}
	return r
}

// ofDrive returns the most usual meaning by which the old drive had the number
// that stood there, and the card has the one that stands there now; or -1.
func (n *numbers) ofDrive(h *hit, was uint64) int {
	if n.drive == nil {
		return -1
	}
	for _, k := range h.same {
		if s := h.f.list[k].size; n.drive[s].Value == was {
			return s
		}
	}
	return -1
}

// numberAt is a number by where it ends: a text may begin with any blanks.
type numberAt struct {
	sector disk.Sector
	end    int
	value  uint64
}

func keyOf(r *Reading) numberAt { return numberAt{r.Sector, r.Byte + r.Width, r.Value} }

// natural is the width in which a number of that value is usually kept.
func natural(v uint64) int {
	switch {
	case v < 1<<16:
		return 2
	case v < 1<<32:
		return 4
	}
	return 8
}

// found is a reading, and what it was read from.
type found struct {
	Reading
	h *hit
}

// text orders texts before other forms, the longest first.
func text(f *form) int {
	if f.order >= len(candidate.Binary) {
		return -f.Width
	}
	return 0
}

// longestTexts finds the longest form of every text.
func longestTexts(all []found) map[numberAt]found {
	out := map[numberAt]found{}
	for _, x := range all {
		if old, there := out[keyOf(&x.Reading)]; !there || text(x.h.f) < text(old.h.f) {
			out[keyOf(&x.Reading)] = x
		}
	}
	return out
}

// settle takes the best readings; of those that share bytes, one.
func (n *numbers) settle(w *work) {
	all := make([]found, len(n.hits))
	for i := range n.hits {
		all[i] = found{n.read(&n.hits[i]), &n.hits[i]}
	}
	odd := func(r *Reading) bool { return r.Width != natural(r.Value) }
	slices.SortStableFunc(all, func(a, b found) int {
		return cmp.Or(cmp.Compare(a.ByChance, b.ByChance), cmp.Compare(text(a.h.f), text(b.h.f)),
			cmp.Compare(a.h.rank(), b.h.rank()), boolOrder(odd(&a.Reading), odd(&b.Reading)),
			cmp.Compare(a.h.f.order, b.h.f.order), cmp.Compare(a.Sector, b.Sector), cmp.Compare(a.Byte, b.Byte))
	})
	longest := longestTexts(all)
	weak := 0
	for _, x := range all {
		if y, ok := longest[keyOf(&x.Reading)]; ok && text(x.h.f) < 0 {
			y.ByChance = min(x.ByChance, y.ByChance)
			x = y
		}
		if !x.h.e.isFree(x.Byte, x.Width) {
			continue
		}
		if !x.Proved() {
			if x.ByChance > barWeak || weak == maxWeak || x.h.e.cut(x.Byte, x.Width) {
				continue
			}
			weak++
			x.h.e.claim(x.Byte, x.Width, false)
		} else {
			x.h.e.claim(x.Byte, x.Width, true)
		}
		w.out.Readings = append(w.out.Readings, x.Reading)
	}
	slices.SortStableFunc(w.out.Readings, func(a, b Reading) int {
		return cmp.Or(cmp.Compare(a.Sector, b.Sector), cmp.Compare(a.Byte, b.Byte))
	})
}

func boolOrder(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}
