package candidate

import (
	"bytes"
	"hash/adler32"
	"hash/crc32"
	"testing"

	"pgregory.net/rapid"
)

// The text over which catalogues of checksums give their check values.
const digits = "123456789"

func TestSumVectors(t *testing.T) {
	ascending, descending, ones := make([]byte, 32), make([]byte, 32), bytes.Repeat([]byte{0xFF}, 32)
	for i := range ascending {
		ascending[i], descending[i] = byte(i), byte(31-i)
	}
	for _, c := range []struct {
		sum  string
		of   string
		want uint64
	}{
		{"crc32-ieee", digits, 0xCBF43926},                      // H05: CRC-32 of "123456789"
		{"crc32-ieee", string(make([]byte, 16384)), 0xAB54D286}, // G04: CRC-32 of an empty GPT entry array
		{"crc32c", digits, 0xE3069283},                          // H06: RFC 3720, appendix B.4, and the four below
		{"crc32c", string(make([]byte, 32)), 0x8A9136AA},
		{"crc32c", string(ones), 0x62A8AB43},
		{"crc32c", string(ascending), 0x46DD794E},
		{"crc32c", string(descending), 0x113FDB5C},
		{"crc32-msb", digits, 0xFC891918}, // from memory, as all below
		{"crc32-msb-raw", digits, 0x0376E6E7},
		{"crc32-ieee-raw", digits, 0x340BC6D9},
		{"crc16-ccitt-zero", digits, 0x31C3},
		{"crc16-ccitt-ffff", digits, 0x29B1},
		{"crc16-ccitt-not", digits, 0xD64E},
		{"crc16-ccitt-reflected", digits, 0x2189},
		{"crc16-x25", digits, 0x906E},
		{"crc16-arc", digits, 0xBB3D},
		{"crc16-modbus", digits, 0x4B37},
		{"crc16-usb", digits, 0xB4C8},
		{"crc16-8005-msb", digits, 0xFEE8},
		{"fletcher16", "abcde", 0xC8F0},
		{"fletcher32-le", "abcdef", 0x56502D2A},
		{"sum8", digits, 0xDD},
		{"sum8-neg", digits, 0x23},
		{"sum8-not", digits, 0x22},
		{"xor8", digits, 0x31},
		{"sum16-be", "\x12\x34\xFF\xFF", 0x1233},
		{"sum32-le", "\x01\x00\x00\x80\xFF\xFF\xFF\x7F", 0},
	} {
		s, err := SumOf(c.sum)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.Of([]byte(c.of)); got != c.want {
			t.Errorf("%s of %d bytes is %X, want %X", c.sum, len(c.of), got, c.want)
		}
	}
}

func TestUnknownSum(t *testing.T) {
	if _, err := SumOf("crc64"); err == nil {
		t.Error("an unknown checksum was found")
	}
}

// TestSumsAgreeWithStandardLibrary: any bytes, fed in any parts. Adler-32 is
// that of RFC 1950, section 8.2.
func TestSumsAgreeWithStandardLibrary(t *testing.T) {
	reference := map[string]func([]byte) uint32{
		"adler32":    adler32.Checksum,
		"crc32-ieee": crc32.ChecksumIEEE,
		"crc32c":     func(b []byte) uint32 { return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli)) },
	}
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOf(rapid.Byte()).Draw(t, "bytes")
		cut := rapid.IntRange(0, len(b)).Draw(t, "cut")
		for _, s := range Sums {
			run := s.Start()
			run.Add(b[:cut])
			run.Add(b[cut:])
			if run.Value() != s.Of(b) || s.Of(b)>>(8*s.Width) != 0 {
				t.Fatalf("%s depends on the parts in which it is fed", s.Name)
			}
			if f := reference[s.Name]; f != nil && s.Of(b) != uint64(f(b)) {
				t.Fatalf("%s gives %X, the standard library %X", s.Name, s.Of(b), f(b))
			}
		}
	})
}
