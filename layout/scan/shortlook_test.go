package scan_test

import (
	"errors"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/peek"
	"bootgraft/layout/scan"
)

// countingDisk counts the sectors that are read of it.
type countingDisk struct {
	image.Source
	read map[disk.Sector]int
}

func (c *countingDisk) ReadAt(p []byte, off int64) (int, error) {
	for x := off / 512; x*512 < off+int64(len(p)); x++ {
		c.read[disk.Sector(x)]++
	}
	return c.Source.ReadAt(p, off)
}

// TestShortLook: few sectors, none of them twice, and nothing is called blank
// that was not looked at.
func TestShortLook(t *testing.T) {
	d := imagetest.New(1<<32-1, 512) // what a broken bridge may claim
	boot := make([]byte, 512)
	boot[510], boot[511] = 0x55, 0xAA
	d.Put(0, boot)
	c := &countingDisk{d, map[disk.Sector]int{}}
	p := peek.New(c)
	p.FetchEnds()
	s, err := scan.Run(t.Context(), p, scan.Options{Short: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.read) > peek.Sectors {
		t.Errorf("%d sectors were read", len(c.read))
	}
	for x, n := range c.read {
		if n > 1 {
			t.Errorf("sector %d was read %d times", x, n)
		}
	}
	for _, r := range s.Regions {
		if r.Content.Blank {
			t.Errorf("sectors %s are called blank", r.Span)
		}
	}
}

// TestShortLookStops: the first failed read ends the look.
func TestShortLookStops(t *testing.T) {
	d := &imagetest.Faulty{Source: imagetest.New(100_000, 512), Bad: disk.Spans{{Start: 2, Count: 1}}}
	c := &countingDisk{d, map[disk.Sector]int{}}
	p := peek.New(c)
	for x := range disk.Sector(10) {
		_, err := p.ReadAt(make([]byte, 512), int64(x)*512)
		var u *image.UnknownError
		if (x >= 2) != errors.As(err, &u) {
			t.Errorf("sector %d: %v", x, err)
		}
	}
	if p.Trouble == "" || len(c.read) != 3 {
		t.Errorf("trouble %q after %d sectors", p.Trouble, len(c.read))
	}
	found := false
	for _, f := range p.Findings() {
		found = found || f.Code == "looks-ill"
	}
	if !found {
		t.Error("nothing says that the drive looks ill")
	}
}
