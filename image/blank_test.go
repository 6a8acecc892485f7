package image

import (
	"bytes"
	"testing"
)

func TestBlank(t *testing.T) {
	odd := bytes.Repeat([]byte{0xFF}, 512)
	odd[511] = 0xFE
	for _, c := range []struct {
		name  string
		b     []byte
		fill  byte
		blank bool
	}{
		{"zeros", make([]byte, 512), 0, true},
		{"erased flash", bytes.Repeat([]byte{0xFF}, 512), 0xFF, true},
		{"one byte", []byte{0}, 0, true},
		{"a formatting byte is content", bytes.Repeat([]byte{0xE5}, 512), 0, false},
		{"one bit at the end", odd, 0xFF, false},
		{"nothing", nil, 0, false},
	} {
		if fill, blank := Blank(c.b); blank != c.blank || blank && fill != c.fill {
			t.Errorf("%s: %02x, %t", c.name, fill, blank)
		}
	}
}
