package sound

import "bootgraft/image"

// tried are all readings without their number of channels. What reads the same bytes as
// another one is left out: 16 bits with swapped words are 16 bits of the other order.
var tried = func() (out []reading) {
	add := func(bits, width int, low bool, o Order, swap image.Order, unsigned bool, phases, from int64) {
		for p := from; p < phases; p++ {
			f := Format{Bits: bits, Width: width, Low: low, Order: o, Swap: swap, Unsigned: unsigned}
			out = append(out, reading{f, p})
		}
	}
	for _, o := range []Order{Little, Big} {
		add(16, 2, false, o, image.Plain, false, 2, 0)
		add(16, 2, false, o, image.Swap32, false, 1, 0)
		for _, swap := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
			add(24, 3, false, o, swap, false, 3, 0)
		}
		for _, low := range []bool{false, true} {
			add(24, 4, low, o, image.Plain, false, 4, 0)
			add(24, 4, low, o, image.Swap16, false, 1, 0)
		}
	}
	add(8, 1, false, Little, image.Plain, true, 1, 0)
	add(8, 1, false, Little, image.Plain, false, 1, 0)
	return out
}()

// possible tells whether a reading is none that another one stands for. Of 16 bits with
// reversed words every two channels change places: nothing in the sound says so.
// No recorder writes more than two channels of 8 bits (common practice, no source), while
// pictures and tables read like many.
func (r reading) possible() bool {
	if r.Bits == 8 && r.Channels > 2 {
		return false
	}
	return !(r.Bits == 16 && r.Swap == image.Swap32 && r.Channels%2 == 0)
}

// prior is what a reading costs before anything is seen, in bits: unusual ones have to
// show more.
func (r reading) prior() float64 {
	bits := 10.0 // about a thousand readings are tried
	if r.phase != 0 {
		bits += 12
	}
	if r.Swap != image.Plain {
		bits += 6
	}
	return bits
}

// cost returns the code length of a piece under a reading, and what its channels show.
func (r reading) cost(w *work, b []byte, at int64) float64 {
	x, dirty := r.samples(w.x[:0], turned(w.turned, b, r.Swap), at)
	w.x = x
	rest := float64(len(b)-len(x)*r.Width) * 8
	return audioBits(x, r.Channels, 8*float64(r.Width), &w.lanes) + rest + dirtyBits*float64(dirty)
}

// framesIn returns how many whole frames begin in b.
func (r reading) framesIn(b []byte, at int64) int {
	return max(0, int((int64(len(b))-mod(r.phase-at, int64(r.Width)))/r.Frame()))
}

// frames returns the samples of some frames of b, the first of which is 0.
func (w *work) frames(r reading, b []byte, at int64, from, to int) []int32 {
	first := mod(r.phase-at, int64(r.Width))
	lo, hi := first+int64(from)*r.Frame(), first+int64(to)*r.Frame()
	words, end := lo&^3, min(int64(len(b)), (hi+3)&^3)
	x, _ := r.samples(w.x[:0], turned(w.turned, b[words:end], r.Swap), at+words)
	w.x = x
	skip := (lo - words) / int64(r.Width)
	return x[skip:][:int64(to-from)*int64(r.Channels)]
}

// dirtyBits is what a byte costs that a reading leaves out and that is not zero: more than the
// byte, or 24 bits in the lower part of 32 would read as well without their lowest byte, and a
// table of numbers of 32 bits without theirs.
const dirtyBits = 40

// work is room that is used again.
type work struct {
	x      []int32
	turned []byte
	lanes  [maxLanes]lane
}
