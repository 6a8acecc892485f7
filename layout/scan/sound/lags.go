package sound

import (
	"math"
	"slices"
	"sync"
)

// maxLag is the longest frame that is tried, in bytes: 24 channels of 4.
const maxLag = 96

// lagsTried are all lengths of a frame: 1 to 24 channels of 1 to 4 bytes, and what turned
// words make of frames of 3 bytes.
var lagsTried = func() (out []int) {
	for w := 1; w <= 4; w++ {
		for c := 1; c <= 24; c++ {
			out = append(out, w*c)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}()

// lagBits returns the code length of bytes of which each is foretold by the one lag
// before, each place in the frame for itself.
func lagBits(b []byte, lag int) float64 {
	var sum [maxLag]int32
	acc := sum[:lag]
	rows := len(b)/lag - 1
	for row := range rows {
		was, now := b[row*lag:][:lag], b[(row+1)*lag:][:lag]
		for j := range acc {
			d := int32(int8(now[j] - was[j]))
			acc[j] += (d ^ d>>31) - d>>31
		}
	}
	bits, table := 0.0, spreadTable()
	for _, s := range acc {
		bits += min(8, table.at(int(s), rows))
	}
	return bits*float64(rows) + 3*float64(lag) + 8*float64(len(b)-rows*lag)
}

// spreads are values of spread for means of 0 to 128 by sixteenths.
type spreads [16*128 + 1]float64

var spreadTable = sync.OnceValue(func() *spreads {
	t := new(spreads)
	for i := range t {
		t[i] = math.Min(8, spread(float64(i)/16))
	}
	return t
})

func (t *spreads) at(sum, n int) float64 { return t[min(len(t)-1, 16*sum/n)] }
