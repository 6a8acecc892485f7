package held

import (
	"bytes"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// The bounds of the look for a start that comes again, in bytes: how much of
// the disk and of each volume is read for sectors that are worth comparing,
// and the least distance that is tried. Of each, at most so many sectors count.
// By hand, no source.
const (
	headLook   = 1 << 20
	volumeLook = 64 << 10
	leastApart = 8 << 20
	tellsEach  = 8
)

// tell is a sector with enough in it to be known again.
type tell struct {
	at   disk.Sector
	data []byte
}

// FoundAgain returns the shortest distance, a power of two, in sectors, at
// which everything telling at the start of the disk and of its volumes is found
// once more; 0 if at none, or if they say too little. A card whose upper part
// repeats its lower part shows this, and so does a card on which somebody put a
// copy: it is a hint, never proof.
func FoundAgain(src image.Source, volumes []layout.Volume) (disk.Sector, error) {
	n := disk.Sector(src.SectorSize())
	tells, err := tellsIn(src, disk.Span{Count: headLook / n})
	if err != nil {
		return 0, err
	}
	for _, v := range volumes[:min(len(volumes), 4)] {
		more, err := tellsIn(src, disk.Span{Start: v.Start, Count: volumeLook / n})
		if err != nil {
			return 0, err
		}
		tells = append(tells, more...)
	}
	// Memory comes in powers of two (common practice, no source).
	for apart := leastApart / n; apart < image.Sectors(src); apart *= 2 {
		again, err := allAgain(src, tells, apart)
		switch {
		case err != nil:
			return 0, err
		case again:
			return apart, nil
		}
	}
	return 0, nil
}

// tellsIn returns the first telling sectors of a span.
func tellsIn(src image.Source, s disk.Span) (out []tell, err error) {
	s = s.Common(image.Whole(src))
	b, err := image.ReadSectors(src, s)
	if err != nil {
		return nil, err
	}
	n := src.SectorSize()
	for x := s.Start; x < s.End() && len(out) < tellsEach; x++ {
		if sector := b[:n]; isTelling(sector) {
			out = append(out, tell{x, sector})
		}
		b = b[n:]
	}
	return out, nil
}

// allAgain tells whether all of these sectors, as far as the disk goes, are
// found again so many sectors later; two at least.
func allAgain(src image.Source, tells []tell, apart disk.Sector) (bool, error) {
	found := 0
	for _, t := range tells {
		if t.at+apart >= image.Sectors(src) {
			continue
		}
		b, err := image.ReadSectors(src, disk.Span{Start: t.at + apart, Count: 1})
		if err != nil || !bytes.Equal(b, t.data) {
			return false, err
		}
		found++
	}
	return found > 1, nil
}

// isTelling tells whether a sector has enough in it not to be like others by
// chance: 16 different bytes. By hand, no source: tables of few entries have fewer.
func isTelling(b []byte) bool {
	var seen [256]bool
	kinds := 0
	for _, c := range b {
		if !seen[c] {
			seen[c] = true
			kinds++
		}
	}
	return kinds >= 16
}
