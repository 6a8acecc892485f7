package link

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// length is how long a place is, in one of the ways in which code counts it.
type length struct {
	n    int64
	what string
}

func (p *Place) lengths(sectorSize int) []length {
	out := []length{
		{int64(p.Count), "its sectors"},
		{(p.Bytes + int64(sectorSize) - 1) / int64(sectorSize), "the sectors of the file"},
		{p.Bytes, "the bytes of the file"},
	}
	if p.Clusters > 0 {
		out = append(out, length{(int64(p.Count) + p.Clusters - 1) / p.Clusters, "its clusters"})
	}
	return out
}

// beside looks for the length of a place beside the number that names it, and
// returns how likely one stands there by accident.
func (t *text) beside(h hit, p *Place, sectorSize int, big bool) (float64, string) {
	lengths, end := p.lengths(sectorSize), h.at+h.width
	best, why, tries := 1.0, "", 0.0
	look := func(at, width int, zero bool) {
		if at < 0 || at+width > len(t.b) {
			return
		}
		tries += 2 // of the lengths of a place two differ, as a rule
		b := t.b[at : at+width]
		for _, l := range lengths {
			if l.n <= 0 || number(b, big) != uint64(l.n) {
				continue
			}
			if c := t.chance(b, zero); c < best {
				best, why = c, fmt.Sprintf("beside it stands %d, %s", l.n, l.what)
			}
		}
	}
	zero := slices.Contains(t.b[h.at:end], 0)
	// A number of 64 bits: these zeros are its own where the length follows at once, and
	// padding where a byte before it is read as a number.
	wide := h.width == 4 && end+4 <= len(t.b) && t.four(end) == 0
	for gap := 0; gap <= besideGap; gap++ {
		for _, width := range []int{1, 2, 4} {
			if width == 1 && gap > 0 {
				continue
			}
			look(end+gap, width, zero)
			look(h.at-gap-width, width, zero)
			if wide && gap == 0 {
				look(end+4, width, false)
			}
		}
	}
	if best *= tries; why == "" || best >= 1 {
		return 1, ""
	}
	return best, why
}

func number(b []byte, big bool) uint64 {
	switch {
	case len(b) == 1:
		return uint64(b[0])
	case len(b) == 2 && big:
		return uint64(binary.BigEndian.Uint16(b))
	case len(b) == 2:
		return uint64(binary.LittleEndian.Uint16(b))
	case big:
		return uint64(binary.BigEndian.Uint32(b))
	}
	return uint64(binary.LittleEndian.Uint32(b))
}

// chance returns how likely bytes stand at a place of the holder: by the share of
// each, never less than in random bytes. Bytes in a row are not independent of each
// other, zeros least of all: they count once, and not at all where zero says that the
// number beside them has one. A length of 4 amid zeros fits any file of 4 clusters of which
// a byte before or behind them is read as the number.
func (t *text) chance(b []byte, zero bool) float64 {
	out := 1.0
	for _, c := range b {
		if c == 0 && zero {
			continue
		}
		zero = zero || c == 0
		n := 0
		for _, d := range t.sample() {
			if d == c {
				n++
			}
		}
		out *= max(1.0/256, (float64(n)+0.5)/(float64(len(t.sample()))+128))
	}
	return out
}

// sample is as much of a holder as its statistics are taken from. By hand, no source.
func (t *text) sample() []byte { return t.b[:min(len(t.b), 16<<10)] }
