package compare

import (
	"math"
	"strings"

	"bootgraft/image"
	"bootgraft/layout/rule/candidate"
)

// The same bytes that differ can be read as numbers of several widths, where the bytes
// beside them are the same on all originals. How usual a reading is decides which is
// tried first. The shares are chosen by hand, no source.
const (
	oddPlace     = 1. / 256 // of numbers of two bytes and more: begins at an odd byte
	oddWidth     = 0.05     // has 3 or 6 bytes
	oddPadding   = 0.1      // of decimal text: is filled up with zeros, and a blank stands before it
	wordsTurned  = 0.1      // has the words in another order than their bytes
	besideByHap  = 1. / 256 // a byte beside a number that is just what a longer number would have there
	otherReading = 0.05     // where nothing is said: of other readings than the first
)

// usualReadings returns how usual each of several readings of the same bytes is: its
// shape, and how likely the bytes are that another reading takes in and this one leaves.
func usualReadings(readings []*guess) []float64 {
	lo, hi := readings[0].at, readings[0].end()
	for _, r := range readings {
		lo, hi = min(lo, r.at), max(hi, r.end())
	}
	out := make([]float64, len(readings))
	for i, r := range readings {
		out[i] = usualShape(r.form, r.at)
		for at := lo; at < hi; at++ {
			if at >= r.at && at < r.end() || r.s.diff[at] || filling(r.form, r.s.data[0][at]) {
				continue
			}
			out[i] *= besideByHap
		}
		if r.zerosAfterBlank() {
			out[i] *= oddPadding
		}
	}
	return out
}

// zerosAfterBlank tells whether a number is text that zeros fill up, and what stands
// before it is a blank, as if blanks did.
func (c *guess) zerosAfterBlank() bool {
	return c.form.Digits() && c.at > 0 && c.s.data[0][c.at-1] == ' ' && !c.s.diff[c.at-1] &&
		!strings.HasPrefix(string(c.form.Encoding), "sdec")
}

// shape returns, in bits, how usual it is that a number is written so: where the bytes
// beside it that are worth less are the same on all originals, but no filling, it is mostly
// longer.
func (c *guess) shape() float64 {
	share := usualShape(c.form, c.at)
	at := c.at + c.form.Low()
	if c.form.Low() != 0 && at >= 0 && at < len(c.s.diff) && !c.s.diff[at] && !filling(c.form, c.s.data[0][at]) {
		share *= besideByHap
	}
	return math.Log2(share)
}

// filling tells whether a byte beside a number says nothing: it stands beside any.
func filling(f *candidate.Form, b byte) bool {
	_, blank := image.Blank([]byte{b})
	return blank || f.Digits() && b == ' '
}

// usualShape returns how usual numbers of a form at a place in a sector are.
func usualShape(f *candidate.Form, at int) float64 {
	share := 1.0
	if f.Digits() || f.Width == 1 {
		return share
	}
	if at%2 != 0 {
		share *= oddPlace
	}
	if f.Any() && (f.Width == 3 || f.Width == 6) {
		share *= oddWidth
	}
	if f.Any() && f.Low() == 0 {
		share *= wordsTurned
	}
	return share
}

// usualWay returns how usual the i-th reading of the field is.
func (f *Field) usualWay(i int) float64 {
	switch share := f.Ways[i].Share; {
	case share > 0:
		return share
	case i == 0:
		return 1
	}
	return otherReading
}

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
			if c.sizes[a] == c.sizes[b] && !c.oneUnit(a, b) {
				return true
			}
		}
	}
	return false
}
