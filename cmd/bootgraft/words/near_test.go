package words

import "testing"

func TestDistance(t *testing.T) {
	for _, x := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"abc", "abc", 0}, {"", "abc", 3}, {"abc", "", 3}, {"fat-drity", "fat-dirty", 2},
		{"kitten", "sitting", 3}, // the example of handbooks for this distance, from memory
	} {
		if have, back := Distance(x.a, x.b), Distance(x.b, x.a); have != x.want || back != x.want {
			t.Errorf("%q and %q: %d and %d, want %d", x.a, x.b, have, back, x.want)
		}
	}
}
