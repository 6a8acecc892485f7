package link

import "testing"

// TestFourBytesOfNothing: what cannot be read has no bytes, and zeros stand after its
// end wherever one looks.
func TestFourBytesOfNothing(t *testing.T) {
	for _, x := range []struct {
		text string
		at   int
		want uint32
	}{{"", 0, 0}, {"", 3, 0}, {"A", 0, 'A'}, {"A", 1, 0}, {"A", 2, 0}} {
		if got := (&text{b: []byte(x.text)}).four(x.at); got != x.want {
			t.Errorf("%q at %d: %x, want %x", x.text, x.at, got, x.want)
		}
	}
}
