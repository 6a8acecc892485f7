package ext

import (
	"testing"

	"bootgraft/image"
)

// FuzzSuperblock puts any superblock before a real volume.
func FuzzSuperblock(f *testing.F) {
	for _, name := range fixtures {
		b := make([]byte, superBytes)
		if err := image.ReadFull(fixture(f, name), b, superOffset); err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		d := fixture(t, "ext4")
		poke(t, d, superOffset, b[:min(len(b), superBytes)]...)
		exercise(t, d)
	})
}

// FuzzWalk changes a real volume: each three bytes of changes are a place and
// what is put there.
func FuzzWalk(f *testing.F) {
	for i := range fixtures {
		f.Add(uint8(i), []byte{0x34, 0x04, 0x01, 0x00, 0x14, 0xFF})
	}
	f.Fuzz(func(t *testing.T, which uint8, changes []byte) {
		d := fixture(t, fixtures[int(which)%len(fixtures)])
		for ; len(changes) >= 3; changes = changes[3:] {
			poke(t, d, int64(le.Uint16(changes)), changes[2])
		}
		exercise(t, d)
	})
}
