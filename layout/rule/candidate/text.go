package candidate

import (
	"bytes"
	"math"

	"bootgraft/image/disk"
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

func (t *textFinder) look(x disk.Sector, b []byte) {
	runsOf(b, shortText, &isPrintable, func(start, end int) {
		if run := b[start:end]; bytes.Count(run, run[:1]) < len(run) {
			t.add(x, start, run)
		}
	})
}

// isLetter and isPrintable are the classes of bytes that texts are made of.
var isLetter, isPrintable = func() (letter, printable [256]bool) {
	for c := 0x20; c <= 0x7E; c++ {
		printable[c] = true
		letter[c] = c|0x20 >= 'a' && c|0x20 <= 'z'
	}
	return letter, printable
}()

// runsOf visits the runs of at least least bytes of a class. Only every
// least-th byte is looked at until one is of the class.
func runsOf(b []byte, least int, class *[256]bool, visit func(start, end int)) {
	for i := least - 1; i < len(b); i += least {
		if !class[b[i]] {
			continue
		}
		start, end := i, i+1
		for start > 0 && class[b[start-1]] && i-start < least {
			start--
		}
		for end < len(b) && class[b[end]] {
			end++
		}
		if end-start >= least {
			visit(start, end)
		}
		i = end
	}
}

func (t *textFinder) add(x disk.Sector, at int, b []byte) {
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
