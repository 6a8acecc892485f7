package compare

import (
	"math"
)

// What a reading of some bytes is worth beside the others is more than what its
// formula predicted: it is also how usual such a number is.

// mostUnusual bounds what a reading can lose by what it says, in bits.
const mostUnusual = 30

// likely is how usual it is what the reading says, in bits: a number of two bytes more
// or fewer often fits too, but by a formula that no device writes.
func (w *worker) likely(c *guess) float64 {
	u := w.c.usual(c.fit.formulas[0].Count, c.place())
	sum := 0.0
	for _, f := range c.fit.formulas {
		sum += u.of(f)
	}
	return max(-mostUnusual, min(0, math.Log2(sum)))
}

// pairBits is what it predicts that two units of one size agree in bytes in which
// disks of different sizes do not: that these follow the size, by whatever formula.
// By hand, no source; it is far less than what a proof needs.
const pairBits = 4

// surely adds to the bits of a candidate what shows that its bytes follow the size at
// all. It proves no formula.
func (w *worker) surely(bits float64) float64 {
	if bits >= bar || !w.c.pair() {
		return bits
	}
	return min(bar-1, bits+pairBits)
}

// pair tells whether two of the disks are units of one size.
func (c *Comparison) pair() bool {
	for b := range c.sizes {
		for a := range b {
			if c.sizes[a] == c.sizes[b] && (c.units[a] == "" || c.units[a] != c.units[b]) {
				return true
			}
		}
	}
	return false
}
