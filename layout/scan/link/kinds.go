package link

import (
	"math/bits"
)

// hit is a number of one kind that names a place.
type hit struct {
	at    int // byte of the holder
	v     uint32
	place int32
	width int
}

// kind is one encoding in one unit, and what a holder shows in it.
type kind struct {
	name  string
	bytes int // of a number
	unit  *unit
	n     *bins // numbers of the holder in this encoding
	count float64
	hits  []hit
}

// maxHits bounds the hits of one kind in one holder: so many are chance. By hand, no source.
const maxHits = 1 << 12

// small is the octave below which numbers are small: their high bytes are zero, as
// those of counts and offsets are, and as any byte reads before padding.
const small = 17

// accidents returns how many numbers of a bin the holder has, and never fewer than
// random bytes would have. One of those that are not small is the number that is
// judged: a holder has such numbers for a reason.
func (k *kind) accidents(o, t int) float64 {
	if o < small {
		return k.n[o][t]
	}
	random := k.count * width(o, t) / float64(uint64(1)<<(8*min(k.bytes, 4)))
	return max(k.n[o][t]-1, random)
}

// expected returns how many accidents of a kind are expected that are at most as
// likely as the number v.
func (k *kind) expected(v uint32, guarded bool) float64 {
	targets := &k.unit.all
	if guarded {
		targets = &k.unit.guard
	}
	oct, two := bin(v)
	own := targets[oct][two] / width(oct, two)
	sum := 0.0
	for o := range 33 {
		for t := range o {
			if share := targets[o][t] / width(o, t); share > 0 && share <= own {
				sum += k.accidents(o, t) * share
			}
		}
	}
	return sum
}

// total returns how many accidents of the kind are expected in all.
func (k *kind) total() (sum float64) {
	for o := range 33 {
		for t := range o {
			sum += k.accidents(o, t) * k.unit.all[o][t] / width(o, t)
		}
	}
	return sum
}

// kinds takes the numbers of a holder and returns every kind with its hits.
func (s *searcher) kinds(t *text) (out []*kind) {
	seen := s.see(t)
	for r := range readers {
		out = append(out, s.plain(t, r, &seen[r])...)
	}
	if s.track > 0 {
		out = append(out, s.cylinders(t)...)
	}
	return out
}

// sightings are what a holder shows in one encoding.
type sightings struct {
	n     bins     // its numbers
	named []uint64 // a bit for each byte at which one begins that may name a place
}

// see reads a holder once, in all encodings: what they share is most of the work.
func (s *searcher) see(t *text) *[len(readers)]sightings {
	most := uint32(0)
	for _, u := range s.units {
		most = max(most, u.most)
	}
	out := &[len(readers)]sightings{}
	for r := range out {
		out[r].named = make([]uint64, len(t.b)/64+1)
	}
	for i := range t.b {
		for r, v := range numbersAt(t.four(i)) {
			if v-1 >= most || i+readers[r].width > len(t.b) { // also 0
				continue
			}
			out[r].n[bits.Len32(v)][bits.TrailingZeros32(v)]++
			if s.any.has(v) {
				out[r].named[i/64] |= 1 << (i % 64)
			}
		}
	}
	return out
}

// plain returns the kinds of one encoding.
func (s *searcher) plain(t *text, r int, seen *sightings) (out []*kind) {
	width := readers[r].width
	count := float64(max(0, len(t.b)-width+1))
	for _, u := range s.units {
		if u.Counts == InCHS || len(u.place) == 0 {
			continue
		}
		k := &kind{name: readers[r].name, bytes: width, unit: u, n: &seen.n, count: count}
		s.out.Tried++
		if k.total()*bestEvidence <= bar {
			out = append(out, k)
		}
	}
	if len(out) == 0 {
		return nil
	}
	for w, word := range seen.named {
		for ; word != 0; word &= word - 1 {
			i := 64*w + bits.TrailingZeros64(word)
			v, end := numbersAt(t.four(i))[r], 0
			for _, k := range out {
				p, ok := k.unit.find(v)
				if !ok || len(k.hits) >= maxHits {
					continue
				}
				if end == 0 {
					end = t.pieceEnd(i)
				}
				if end >= i+width {
					k.hits = append(k.hits, hit{i, v, p, width})
				}
			}
		}
	}
	return out
}

// cylinders returns the kinds of addresses as cylinder, head and sector.
func (s *searcher) cylinders(t *text) []*kind {
	u := s.units[len(s.units)-1]
	if u.Counts != InCHS {
		return nil
	}
	tuples, code := &kind{name: tupleForm, bytes: 3, unit: u, n: &bins{}}, &kind{name: codeForm, bytes: 3, unit: u,
		n: &bins{}}
	take := func(k *kind, at int, x int64, width int) {
		if x <= 0 || x > int64(u.most) {
			return
		}
		oct, two := bin(uint32(x))
		k.n[oct][two]++
		if p, ok := u.find(uint32(x)); ok && len(k.hits) < maxHits && t.pieceEnd(at) >= at+width {
			k.hits = append(k.hits, hit{at, uint32(x), p, width})
		}
	}
	for i := 0; i+3 <= len(t.b); i++ {
		tuples.count++
		if x, ok := tuple(t.b[i:], s.heads, s.track); ok {
			take(tuples, i, int64(x), 3)
		}
		if x, n, ok := instructions(t.b[i:], s.heads, s.track); ok {
			code.count++
			take(code, i, int64(x), n)
		}
	}
	s.out.Tried += 2
	return []*kind{tuples, code}
}
