package boot

import (
	"math"

	"bootgraft/layout"
)

// Strings shorter than shortText are never shown; of longer ones this much
// text is kept, and so many are remembered until it is known which length
// chance alone would give.
const (
	shortText = 8
	longText  = 48
	keptTexts = 16384
)

// textFinder gathers runs of printable ASCII.
type textFinder struct {
	kept    []FoundText
	lengths []int             // of each kept text, uncut
	count   [longText + 1]int // how many by length, the last for all longer ones
	inLong  int64             // bytes in them
}

func (t *textFinder) look(x layout.Sector, b []byte) {
	start := -1
	for i := 0; i <= len(b); i++ {
		if i < len(b) && b[i] >= 0x20 && b[i] <= 0x7E {
			if start < 0 {
				start = i
			}
			continue
		}
		if start >= 0 && i-start >= shortText && !oneByte(b[start:i]) {
			t.add(x, start, b[start:i])
		}
		start = -1
	}
}

func oneByte(b []byte) bool {
	for _, c := range b {
		if c != b[0] {
			return false
		}
	}
	return true
}

func (t *textFinder) add(x layout.Sector, at int, b []byte) {
	t.count[min(len(b), longText)]++
	t.inLong += int64(len(b))
	if len(t.kept) < keptTexts {
		t.kept = append(t.kept, FoundText{x, at, string(b[:min(len(b), longText)])})
		t.lengths = append(t.lengths, len(b))
	}
}

// result returns the texts longer than chance gives in the bytes of st: less
// than one in a hundred disks would show a longer one.
func (t *textFinder) result(st *stats) Strings {
	rest := float64(st.total - t.inLong)
	p := (st.printable()*float64(st.total) - float64(t.inLong)) / max(1, rest)
	out := Strings{Shortest: shortText, Shown: []FoundText{}}
	if p > 0 && p < 1 && rest > 0 {
		out.Shortest = max(shortText, int(math.Ceil(math.Log(0.01/rest)/math.Log(p))))
	}
	out.Shortest = min(out.Shortest, longText)
	for n := out.Shortest; n < len(t.count); n++ {
		out.Count += t.count[n]
	}
	for i, s := range t.kept {
		if t.lengths[i] >= out.Shortest && len(out.Shown) < maxStrings {
			out.Shown = append(out.Shown, s)
		}
	}
	return out
}
