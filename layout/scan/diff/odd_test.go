package diff_test

import (
	"encoding/binary"
	"slices"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan/diff"
)

// TestOddDisks: disks of hardly any sectors, and of every size of sector, are
// compared like others.
func TestOddDisks(t *testing.T) {
	for _, size := range []int{512, 1024, 2048, 4096} {
		for _, n := range []disk.Sector{1, 2, 3, 9, 70} {
			a, b := imagetest.New(n, size), imagetest.New(n, size)
			disks.Noise(a, disk.Span{Count: n}, 1)
			disks.Noise(b, disk.Span{Count: n}, 2)
			r, err := diff.Compare(t.Context(), survey(t, a), survey(t, b), diff.Options{Drive: n + 7})
			if err != nil || r.Changed != n || r.Compared != n {
				t.Errorf("%d sectors of %d bytes: %+v, %v", n, size, r, err)
			}
		}
	}
}

// BenchmarkAnotherHead compares two heads of 32 MiB of which nothing is the same.
func BenchmarkAnotherHead(b *testing.B) {
	const head = disk.Sector(32 << 20 / 512)
	was, is := imagetest.New(8_000_000, 512), imagetest.New(8_000_000, 512)
	disks.Noise(was, disk.Span{Count: head}, 1)
	disks.Noise(is, disk.Span{Count: head}, 2)
	x, y := survey(b, was), survey(b, is)
	b.SetBytes(int64(head) * 512)
	for b.Loop() {
		if _, err := diff.Compare(b.Context(), x, y, diff.Options{Drive: 6_346_368}); err != nil {
			b.Fatal(err)
		}
	}
}

// TestTheSizeOfTheCardIsNoCounter: a device that writes the sectors of the card
// where those of the drive stood, and nothing else, has written a number.
func TestTheSizeOfTheCardIsNoCounter(t *testing.T) {
	const drive, card = 6_346_368, 31_266_816
	was, is := imagetest.New(card, 512), imagetest.New(card, 512)
	for d, n := range map[*imagetest.Disk]uint32{was: drive, is: card} {
		disks.Noise(d, disk.Span{Count: 40}, 1)
		b := make([]byte, 512)
		copy(b, "AN INVENTED DEVICE, HEADER 1")
		binary.BigEndian.PutUint32(b[100:], n)
		d.Put(3, b)
	}
	for _, from := range []disk.Sector{drive, 0} {
		r, err := diff.Compare(t.Context(), survey(t, was), survey(t, is), diff.Options{Drive: from})
		if err != nil || !slices.Equal(r.Kinds, []diff.Kind{diff.Numbers}) || len(r.Readings) != 1 {
			t.Fatalf("%+v, %v", r, err)
		}
		x := r.Readings[0]
		if x.Sector != 3 || x.Byte != 100 || x.Encoding != "be32" || x.Value != card || x.Was != drive || x.WasDrive != (from > 0) || !x.Proved() ||
			x.Meaning != "sectors of the disk" || !slices.Contains(imagetest.Codes(r.Findings), string(disk.DeviceWroteSize)) {
			t.Errorf("%+v, %v", x, r.Findings)
		}
	}
}
