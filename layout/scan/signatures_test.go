package scan

import (
	"bytes"
	"math/rand/v2"
	"testing"
)

// The longest text is what a look at every byte finds, wherever it lies and whatever
// lies beside it.
func TestLongestText(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	found := 0
	for range 20_000 {
		b := make([]byte, rng.IntN(200))
		for i := 0; i < len(b); {
			n := min(len(b)-i, 1+rng.IntN(50))
			if rng.IntN(2) == 0 {
				n = min(n, 3)
				copy(b[i:i+n], "\x00\x1f\x7f")
			} else {
				copy(b[i:], bytes.Repeat([]byte{byte(' ' + rng.IntN(95))}, n))
			}
			i += n
		}
		var want []byte
		for i := range b {
			n := 0
			for i+n < len(b) && b[i+n] >= ' ' && b[i+n] <= '~' {
				n++
			}
			if n >= minText && n > len(want) {
				want = b[i : i+n]
			}
		}
		if want = want[:min(len(want), 40)]; longestText(b) != string(want) {
			t.Fatalf("of %q it is said to be %q, want %q", b, longestText(b), want)
		}
		if len(want) > 0 {
			found++
		}
	}
	if found < 1000 {
		t.Errorf("only %d of them had a text", found)
	}
}
