package second

import (
	"strings"
	"testing"

	"bootgraft/layout/volume/fat/format"
)

// FuzzVolume overwrites bytes of a sound volume at two places. Both readers
// see the same bytes, so they never differ, and the library neither hangs nor
// breaks off, because what could make it is not handed over.
func FuzzVolume(f *testing.F) {
	f.Add(uint8(0), uint32(11), []byte{0, 2, 1}, uint32(512), []byte{0xF0, 0xFF, 0xFF, 3, 0x40})
	f.Add(uint8(1), uint32(512+12), []byte{9, 0}, uint32(21*1024), []byte("A       BIN"))
	f.Add(uint8(2), uint32(44), []byte{3, 0, 0, 0}, uint32(488), []byte{0xFF})
	kinds := []format.Options{small12, small16, small32}
	f.Fuzz(func(t *testing.T, kind uint8, at uint32, b []byte, at2 uint32, b2 []byte) {
		s := newSpecimen(t, kinds[int(kind)%len(kinds)])
		meta := int64(s.volume().Data+24) * 512
		s.poke(int64(at)%meta, b[:min(len(b), 64)]...)
		s.poke(int64(at2)%meta, b2[:min(len(b2), 64)]...)
		all, err := Ask(t.Context(), s, survey(t, s), Options{Contents: true})
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range all {
			if o.Verdict == Differs || strings.Contains(o.Why, "it broke off") {
				t.Errorf("%+v", o)
			}
		}
	})
}
