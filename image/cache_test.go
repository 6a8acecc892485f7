package image_test

import (
	"bytes"
	"errors"
	"math/rand"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// counted counts how often each sector is read.
type counted struct {
	image.Source
	reads map[disk.Sector]int
	bytes int64
}

func (c *counted) ReadAt(b []byte, off int64) (int, error) {
	n := int64(c.SectorSize())
	for x := off / n; x*n < off+int64(len(b)); x++ {
		c.reads[disk.Sector(x)]++
	}
	c.bytes += int64(len(b))
	return c.Source.ReadAt(b, off)
}

// Whatever is read, in whatever order, is what the source holds; both ends are
// read once.
func TestCacheReadsTheSame(t *testing.T) {
	const sectors = 64<<11 + 7 // 64 MiB and a piece of a block
	d := imagetest.New(sectors, 512)
	rng := rand.New(rand.NewSource(5))
	for range 400 {
		b := make([]byte, 8192)
		rng.Read(b)
		d.Put(disk.Sector(rng.Int63n(sectors-16)), b)
	}
	src := &counted{Source: d, reads: map[disk.Sector]int{}}
	c := image.NewCache(src)
	for range 600 {
		size := 1 + rng.Int63n([]int64{600, 100 << 10, 2 << 20}[rng.Intn(3)])
		off := rng.Int63n(d.Size() - size)
		if rng.Intn(2) == 0 {
			off = []int64{rng.Int63n(4 << 10), d.Size() - size - rng.Int63n(4<<10)}[rng.Intn(2)]
			size = min(size, 1<<20)
		}
		want, got := make([]byte, size), make([]byte, size)
		if err := errors.Join(image.ReadFull(d, want, off), image.ReadFull(c, got, off)); err != nil || !bytes.Equal(want, got) {
			t.Fatalf("%d bytes from %d: %v", size, off, err)
		}
	}
	for _, x := range []disk.Sector{0, 1, 63, 2047, sectors - 2048, sectors - 1} {
		if n := src.reads[x]; n > 3 { // once, or with a long read that is not kept
			t.Errorf("sector %d is read %d times", x, n)
		}
	}
	if n, err := c.ReadAt(make([]byte, 10), d.Size()-5); n != 5 || err == nil {
		t.Errorf("%d bytes behind the end, %v", n, err)
	}
}

// A sector that is not known fails as it does without a Cache, and those beside
// it are read all the same.
func TestCacheKeepsNothingOfAFailedRead(t *testing.T) {
	d := imagetest.New(4096, 512)
	d.Put(9, bytes.Repeat([]byte{7}, 512))
	c := image.NewCache(image.NewKnown(d, disk.Spans{{Start: 10, Count: 1}}, nil))
	for range 2 {
		b, err := image.ReadSectors(c, disk.Span{Start: 9, Count: 1})
		if err != nil || b[0] != 7 {
			t.Fatalf("sector 9: %v", err)
		}
		var unknown *image.UnknownError
		if _, err = image.ReadSectors(c, disk.Span{Start: 8, Count: 4}); !errors.As(err, &unknown) || unknown.Start != 10 {
			t.Errorf("sectors 8 to 11: %v", err)
		}
	}
	if u := image.Unknown(c, image.Whole(c)); len(u) != 1 || u[0].Start != 10 {
		t.Errorf("not known: %v", u)
	}
}
