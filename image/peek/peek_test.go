package peek

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// counted counts how often each sector is read.
type counted struct {
	*imagetest.Disk
	reads map[disk.Sector]int
}

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	for x := off / 512; x < (off+int64(len(p))+511)/512; x++ {
		c.reads[disk.Sector(x)]++
	}
	return c.Disk.ReadAt(p, off)
}

// TestALookIsShort: however often sectors are asked for, each is read once and no
// more than the bound of them; all others are unread, on a disk of any size.
func TestALookIsShort(t *testing.T) {
	c := &counted{imagetest.New(1<<32-1, 512), map[disk.Sector]int{}}
	want := bytes.Repeat([]byte("sector"), 512)[:512]
	c.Put(5, want)
	p := New(c)
	for range 3 {
		if got, err := image.ReadSectors(p, disk.Span{Start: 5, Count: 1}); err != nil || !bytes.Equal(got, want) {
			t.Fatalf("%q, %v", got[:6], err)
		}
		if _, err := image.ReadSectors(p, disk.Span{Start: 1 << 31, Count: 64}); err != nil {
			t.Fatal(err)
		}
	}
	unread := disk.Spans{{Count: 5}, disk.Between(6, 1<<31), disk.Between(1<<31+64, 1<<32-1)}
	if got := p.Unknown(image.Whole(p)); !slices.Equal(got, unread) {
		t.Errorf("unread %v, want %v", got, unread)
	}
	var unknown *image.UnknownError
	for x := disk.Sector(10_000); ; x++ {
		_, err := image.ReadSectors(p, disk.Span{Start: x, Count: 1})
		if errors.As(err, &unknown) && unknown.Span == (disk.Span{Start: x, Count: 1}) && unknown.State == image.Unread {
			break
		}
		if err != nil || x > 20_000 {
			t.Fatalf("sector %d: %v", x, err)
		}
	}
	for x, n := range c.reads {
		if n != 1 {
			t.Errorf("sector %d was read %d times", x, n)
		}
	}
	if len(c.reads) != Sectors {
		t.Errorf("%d sectors were read, and a look has %d", len(c.reads), Sectors)
	}
}
