package candidate

import (
	"bytes"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image"
)

func TestEncodings(t *testing.T) {
	for _, c := range []struct {
		encoding Encoding
		v        uint64
		want     string
	}{
		// Arithmetic: 39,070,080 = 0x02542980.
		{"be32", 39070080, "\x02\x54\x29\x80"},
		{"le32", 39070080, "\x80\x29\x54\x02"},
		{"be32-swap16", 39070080, "\x54\x02\x80\x29"},
		{"le32-swap16", 39070080, "\x29\x80\x02\x54"},
		// A03: CF+ and CompactFlash Specification, IDENTIFY words 7 and 8: high word
		// first, each little-endian; a card of 15,523,840 sectors has 00EC, E000.
		{"be32-swap16", 15523840, "\xEC\x00\x00\xE0"},
		// A01: IDENTIFY words 60 and 61 are low word first.
		{"le32", 39063024, "\xF0\x0D\x54\x02"},
		{"le16", 38760, "\x68\x97"},
		{"be24", 0x010203, "\x01\x02\x03"},
		{"le48", 0x010203040506, "\x06\x05\x04\x03\x02\x01"},
		{"le64-swap32", 0x0102030405060708, "\x05\x06\x07\x08\x01\x02\x03\x04"},
		{"bcd4", 39070080, "\x39\x07\x00\x80"},
		{"lebcd4", 39070080, "\x80\x00\x07\x39"},
		{"dec10", 39070080, "0039070080"},
		{"sdec10", 39070080, "  39070080"},
		{"hex8", 39070080, "02542980"},
		{"HEX8", 0xABCDEF, "00ABCDEF"},
	} {
		f, err := FormOf(c.encoding)
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, f.Width)
		if err := f.Encode(b, c.v); err != nil || string(b) != c.want {
			t.Errorf("%s of %d is % x, %v; want % x", c.encoding, c.v, b, err, c.want)
		}
		if v, ok := f.Decode([]byte(c.want)); !ok || v != c.v {
			t.Errorf("%s of % x reads %d, %v; want %d", c.encoding, c.want, v, ok, c.v)
		}
	}
}

// TestEncodingsRoundTrip: what is written reads the same, what does not fit
// is refused and changes nothing, and a swapped form is the plain one seen
// through a byte order.
func TestEncodingsRoundTrip(t *testing.T) {
	all := append(append([]Encoding{"u8"}, Binary...), Coded...)
	rapid.Check(t, func(t *rapid.T) {
		f, err := FormOf(rapid.SampledFrom(all).Draw(t, "encoding"))
		if err != nil {
			t.Fatal(err)
		}
		v := rapid.Uint64().Draw(t, "value") >> rapid.IntRange(0, 63).Draw(t, "shift")
		b := bytes.Repeat([]byte{0xA5}, f.Width)
		if f.Encode(b, v) != nil {
			if !bytes.Equal(b, bytes.Repeat([]byte{0xA5}, f.Width)) {
				t.Fatal("a value that does not fit was written in part")
			}
			return
		}
		if got, ok := f.Decode(b); !ok || got != v {
			t.Fatalf("%s: wrote %d, read %d, %v", f.Encoding, v, got, ok)
		}
	})
	for swapped, plain := range map[Encoding]Encoding{"be32-swap16": "be32", "le64-swap16": "le64"} {
		a, _ := FormOf(swapped)
		p, _ := FormOf(plain)
		b := make([]byte, a.Width)
		if err := a.Encode(b, 0x01020304); err != nil {
			t.Fatal(err)
		}
		image.Swap16.Turn(b)
		if v, _ := p.Decode(b); v != 0x01020304 {
			t.Errorf("%s turned round reads %X as %s", swapped, v, plain)
		}
	}
}
