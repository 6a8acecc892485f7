package diff_test

import (
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/disks"
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
