package sound

import (
	"math"
	"sync"
)

// The two codes that are compared, both in bits for the same bytes:
//
//	null    the bytes one by one, each by how often its value was seen before at its
//	        place in words of 1, 2, 3 or 4 bytes: text, code, tables, noise
//	audio   each channel by what is left when its next sample is foretold from the last
//	        ones (a polynomial of order 0, 1 or 2), as if spread like Laplace's law, and
//	        samples that repeat the last one apart: silence and clipping
//
// Both say how long a message would be that a receiver could really read, parameters and
// all, so that their difference is evidence in bits.

// tally is the code length of counts: what n values of one kind add, by the estimator of
// Krichevsky and Trofimov (1981), a half for each value that was not seen yet.
type tally struct{ kind, all []float64 }

const maxTally = 8192

var tallies = sync.OnceValue(func() *tally {
	t := &tally{make([]float64, 0, maxTally+1), make([]float64, 0, maxTally+1)}
	lg := func(x float64) float64 { v, _ := math.Lgamma(x); return v / math.Ln2 }
	for n := range maxTally + 1 {
		t.kind = append(t.kind, lg(float64(n)+0.5)-lg(0.5))
		t.all = append(t.all, lg(float64(n)+128)-lg(128))
	}
	return t
})

// bits returns the code length of n values counted in h, which it clears.
func (t *tally) bits(h *[256]uint16, n int) float64 {
	sum := t.all[n]
	for i, c := range h {
		if c > 0 {
			sum -= t.kind[c]
			h[i] = 0
		}
	}
	return min(sum, 8*float64(n)+1)
}

// nullBits returns the code length of bytes that are no sound.
func nullBits(b []byte) float64 {
	best := 8 * float64(len(b))
	t := tallies()
	var h [256]uint16
	for width := 1; width <= 4; width++ {
		sum := 2.0
		for lane := range width {
			n := 0
			for i := lane; i < len(b); i += width {
				h[b[i]]++
				n++
			}
			sum += t.bits(&h, n)
		}
		best = min(best, sum)
	}
	return best
}

// spread returns the bits of one sample whose residuals are mean large on average: the
// entropy of Laplace's law, which meets that of whole numbers for small ones.
func spread(mean float64) float64 { return math.Log2(1 + 2*math.E*mean) }

// lane is what one channel shows.
type lane struct {
	n, moved int      // samples, and those that differ from the one before
	sum      [3]int64 // of the sizes of residuals of order 0, 1, 2, where it moved
	cross    int64    // of those that the channel before foretells
	left     float64  // energy that the best weights of two samples leave
	bits     float64
}

// maxLanes is the most channels that are tried.
const maxLanes = 24

// audioBits returns the code length of samples of so many channels, at most width bits
// each, and what each channel shows. The first two samples of each cost what they take up.
func audioBits(x []int32, channels int, width float64, lanes *[maxLanes]lane) float64 {
	total := 0.0
	for c := range channels {
		l := &lanes[c]
		*l = lane{}
		l.measure(x, c, channels)
		cross := c == 1 && channels == 2
		if cross {
			l.foretold(x)
		}
		l.cost(width, cross)
		total += l.bits + 2*width
	}
	return total
}

// measure sums up the residuals of channel c. The best weights of two samples are those of
// least squares; what they leave follows from sums, without a second pass.
func (l *lane) measure(x []int32, c, channels int) {
	if c+2*channels >= len(x) {
		return
	}
	var s0, s1, s2 int64
	var xx, aa, bb, xa, xb, ab float64
	b, a := x[c], x[c+channels]
	n, still := 0, 0
	for t := c + 2*channels; t < len(x); t += channels {
		v := x[t]
		n++
		d := int64(v) - int64(a)
		if d == 0 {
			still++
		} else {
			s0 += abs(int64(v))
			s1 += abs(d)
			s2 += abs(d - int64(a) + int64(b))
		}
		fv, fa, fb := float64(v), float64(a), float64(b)
		xx += fv * fv
		aa += fa * fa
		bb += fb * fb
		xa += fv * fa
		xb += fv * fb
		ab += fa * fb
		b, a = a, v
	}
	l.n, l.moved, l.sum = n, n-still, [3]int64{s0, s1, s2}
	l.left = xx
	if det := aa*bb - ab*ab; det > 1e-9*aa*bb && det > 0 {
		wa, wb := (xa*bb-xb*ab)/det, (xb*aa-xa*ab)/det
		l.left = max(0, xx-wa*xa-wb*xb)
	}
}

// foretold sums up what is left of the second of two channels when the first foretells it.
func (l *lane) foretold(x []int32) {
	for t := 5; t < len(x); t += 2 {
		d := int64(x[t]) - int64(x[t-2])
		if d != 0 {
			l.cross += abs(d - int64(x[t-1]) + int64(x[t-3]))
		}
	}
}

// cost works out the bits of a channel.
func (l *lane) cost(width float64, cross bool) {
	if l.n == 0 {
		return
	}
	n, moved := float64(l.n), float64(l.moved)
	best := width
	if l.moved > 0 {
		for _, s := range l.sum {
			best = min(best, spread(float64(s)/moved))
		}
		if cross {
			best = min(best, spread(float64(l.cross)/moved))
		}
	}
	l.bits = n*binary2(moved/n) + moved*best + 0.5*math.Log2(n) + 2
	if l.n > 8 { // of fewer the two weights take all that a law saves
		// The entropy of a normal law, and sixteen bits for the two weights.
		l.bits = min(l.bits, n*0.5*math.Log2(1+2*math.Pi*math.E*l.left/n)+0.5*math.Log2(n)+18)
	}
	l.bits = min(l.bits, n*width+1)
}

// binary2 is the entropy of a choice of two, in bits.
func binary2(p float64) float64 {
	if p <= 0 || p >= 1 {
		return 0
	}
	return -p*math.Log2(p) - (1-p)*math.Log2(1-p)
}

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}
