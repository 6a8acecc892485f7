package candidate

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"math"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// pattern is a number written in one encoding, to be looked for.
type pattern struct {
	bytes    []byte
	rank     int // usual numbers first
	encoding Encoding
	order    int // of the encoding, usual ones first
	value    uint64
	meaning  string
	law      *layout.Law // how it follows from the size; nil if it does not
	entry    int         // of whose size; 0: of the disk's
	at       int         // where the field begins in bytes
	width    int         // of the field; the other bytes are evidence
	every    int         // only at bytes of a sector that this divides
	likely   float64     // chance at one place
	by       float64     // expected hits of this and all patterns before it
	window   int         // where in bytes the two rarest neighbours lie
}

// patterns is a list of numbers to look for at once.
type patterns struct {
	list []pattern
	by   [1 << 16][]int32 // patterns by the bytes in their window
	any  [1 << 10]uint64  // bitmap of by
}

// pick makes a list of the patterns whose hits by chance, in area bytes, add up
// to no more than bar: by rank, usual encodings first. Each rank leaves half of
// what is left of the bar to those after it.
func pick(all []pattern, st *stats, area int64, bar float64) *patterns {
	for i := range all {
		all[i].likely = st.likely(all[i].bytes)
	}
	slices.SortStableFunc(all, func(a, b pattern) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.order, b.order), cmp.Compare(a.likely, b.likely))
	})
	p := &patterns{}
	sum := 0.0
	seen := map[string]bool{}
	for _, x := range all {
		expected := x.likely * float64(area) / float64(x.every)
		if seen[string(x.bytes)] {
			continue
		}
		if len(x.bytes) < 2 || sum+expected > bar*(1-math.Exp2(-float64(x.rank+1))) {
			continue
		}
		seen[string(x.bytes)] = true
		sum += expected
		x.by = sum
		p.put(x, st)
	}
	return p
}

// put adds one pattern under its two rarest neighbouring bytes.
func (p *patterns) put(x pattern, st *stats) {
	best := 2.0
	for i := range len(x.bytes) - 1 {
		if q := st.alone(x.bytes[i]) * st.follows(x.bytes[i], x.bytes[i+1]); q < best {
			best, x.window = q, i
		}
	}
	key := binary.LittleEndian.Uint16(x.bytes[x.window:])
	p.by[key] = append(p.by[key], int32(len(p.list)))
	p.any[key>>6] |= 1 << (key & 63)
	p.list = append(p.list, x)
}

// hit is a pattern found in a sector.
type hit struct {
	sector disk.Sector
	byte   int // where the pattern begins
	p      *pattern
}

// search looks for every pattern in one sector. What repeats all over the
// sector is a filling, not a field.
func (p *patterns) search(x disk.Sector, b []byte, found []hit) []hit {
	if len(p.list) == 0 {
		return found
	}
	for i := 0; i+2 <= len(b); i++ {
		key := binary.LittleEndian.Uint16(b[i:])
		if p.any[key>>6]>>(key&63)&1 == 0 {
			continue
		}
		for _, n := range p.by[key] {
			w := &p.list[n]
			at := i - w.window
			if at < 0 || (at+w.at)%w.every != 0 || !bytes.HasPrefix(b[at:], w.bytes) {
				continue
			}
			if !filling(b, w.bytes) {
				found = append(found, hit{x, at, w})
			}
		}
	}
	return found
}

// filling tells whether p stands in b more than three times.
func filling(b, p []byte) bool {
	return bytes.Count(b, p) > 3
}

// core returns where the field begins and ends without zeros around it: two
// readings with the same core are the same bytes.
func (h *hit) core() (disk.Sector, int, int) {
	b := bytes.TrimLeft(h.p.bytes, "\x00")
	start := h.byte + len(h.p.bytes) - len(b)
	return h.sector, start, start + len(bytes.TrimRight(b, "\x00"))
}

// overlaps tells whether two hits claim a byte that is not zero.
func (h *hit) overlaps(o *hit) bool {
	s, a, b := h.core()
	t, c, d := o.core()
	return s == t && a < d && c < b
}

// settle keeps, of hits that share bytes, the one of the best rank; of text,
// which may have zeros or blanks in front, the longest.
func settle(hits []hit) (out []hit) {
	slices.SortStableFunc(hits, func(a, b hit) int {
		text := func(h hit) int {
			if h.p.order >= len(Binary) {
				return -h.p.width
			}
			return 0
		}
		return cmp.Or(cmp.Compare(a.p.rank, b.p.rank), cmp.Compare(text(a), text(b)), cmp.Compare(a.p.order, b.p.order),
			cmp.Compare(a.p.by, b.p.by))
	})
	taken := map[disk.Sector][]hit{}
	for _, h := range hits {
		if slices.ContainsFunc(taken[h.sector], func(o hit) bool { return h.overlaps(&o) }) {
			continue
		}
		taken[h.sector] = append(taken[h.sector], h)
		out = append(out, h)
	}
	slices.SortFunc(out, func(a, b hit) int {
		return cmp.Or(cmp.Compare(a.sector, b.sector), cmp.Compare(a.byte, b.byte))
	})
	return out
}
