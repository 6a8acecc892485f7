package link

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// beside looks for the length of a place beside the number that names it, and
// returns how likely one stands there by accident.
func (t *text) beside(h hit, p *Place, sectorSize int, big bool) (float64, string) {
	lengths := []struct {
		n    int64
		what string
	}{
		{int64(p.Count), "its sectors"},
		{(p.Bytes + int64(sectorSize) - 1) / int64(sectorSize), "the sectors of the file"},
		{p.Bytes, "the bytes of the file"},
	}
	if p.Clusters > 0 {
		lengths = append(lengths, struct {
			n    int64
			what string
		}{(int64(p.Count) + p.Clusters - 1) / p.Clusters, "its clusters"})
	}
	best, why := 1.0, ""
	tries := 0.0
	type found struct {
		chance float64
		why    string
	}
	var all []found
	for gap := 0; gap <= besideGap; gap++ {
		for _, w := range []int{1, 2, 4} {
			if w == 1 && gap > 0 {
				continue
			}
			places := []int{h.at + h.width + gap, h.at - gap - w}
			if end := h.at + h.width; h.width == 4 && end+4 <= len(t.b) && binary.LittleEndian.Uint32(t.b[end:]) == 0 {
				places = append(places, end+4+gap) // the number has 64 bits
			}
			for _, at := range places {
				if at < 0 || at+w > len(t.b) {
					continue
				}
				tries += 2 // of the lengths of a place two differ, as a rule
				v := number(t.b[at:at+w], big)
				for _, l := range lengths {
					if l.n > 0 && v == uint64(l.n) {
						all = append(all, found{t.chance(t.b[at : at+w]), fmt.Sprintf("beside it stands %d, %s", l.n, l.what)})
					}
				}
			}
		}
	}
	for _, f := range all {
		if e := f.chance * tries; e < best {
			best, why = e, f.why
		}
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
// other, zeros least of all: they count once.
func (t *text) chance(b []byte) float64 {
	out := 1.0
	for i, c := range b {
		if i > 0 && c == 0 && slices.Contains(b[:i], 0) {
			continue
		}
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
