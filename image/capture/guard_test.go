package capture

import (
	"bytes"
	"errors"
	"testing"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// TestGuard: the fill of a capture is never passed off as data, however the
// read lies across it, and a copy of the fill in another sector is data.
func TestGuard(t *testing.T) {
	d := imagetest.New(40, 512)
	fill := make([]byte, 512)
	record.PutPattern(fill, 7)
	d.Put(7, fill)
	d.Put(20, fill) // a file that quotes it
	g := guard(d)
	for _, c := range []struct{ off, n int64 }{{7 * 512, 512}, {0, 20 * 512}, {7*512 + 100, 100}, {7 * 512, 16}, {6*512 + 500, 40}, {8*512 - 16, 600}} {
		_, err := g.ReadAt(make([]byte, c.n), c.off)
		var lost *LostRecordError
		var unknown *image.UnknownError
		if !errors.As(err, &lost) || lost.Sector != 7 || !errors.As(err, &unknown) {
			t.Errorf("%d bytes at %d: %v", c.n, c.off, err)
		}
	}
	for _, s := range []disk.Span{{Start: 20, Count: 1}, {Start: 0, Count: 7}, {Start: 8, Count: 32}} {
		got, err := image.ReadSectors(g, s)
		want, err2 := image.ReadSectors(d, s)
		if err != nil || err2 != nil || !bytes.Equal(got, want) {
			t.Errorf("sectors %s: %v", s, err)
		}
	}
}
