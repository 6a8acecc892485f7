package link

import (
	"fmt"
	"math/bits"
	"strings"
)

// bestEvidence is a factor that no second evidence makes smaller: a length of 32
// bits beside a number would, but nobody's is that long.
const bestEvidence = 1e-4

// bar is how many accidents of a kind may be expected in a holder: Bar for 32 bits in
// sectors, lowest or highest byte first, and in sector 0 in each of the four orders; in
// sector 0 an eighth of it for 32 bits in other units, which are about 40 kinds; and Bar
// for the kind of the number that led here, for that is one.
func (k *kind) bar(w *work) float64 {
	sector0 := w.isSector0()
	plain := k.unit.Sectors == 1 && k.unit.Counts != InClusters
	switch {
	case w.goesOn(k), k.name == codeForm, k.bytes == 4 && plain && (sector0 || k.name == "le32" || k.name == "be32"):
		return bar
	case k.bytes == 4 && sector0:
		return bar / 8
	}
	return barOfOthers
}

// common tells whether a kind is one of those that loaders count in most: 32 bits in
// sectors or KiB, and cylinder, head and sector. Common practice, no source.
func (k *kind) common(sectorSize int) bool {
	return k.unit.Counts == InCHS || k.bytes == 4 && k.unit.Counts != InClusters &&
		k.unit.Sectors*int64(sectorSize) <= 1024
}

// judge returns the chance of a hit, and what else speaks for it.
func (s *searcher) judge(w *work, t *text, k *kind, i int, bar float64) (float64, string) {
	h := k.hits[i]
	p := &s.list[h.place]
	best, why := k.expected(h.v, false), ""
	lower := func(e float64, text string) {
		if e < best {
			best, why = e, text
		}
	}
	if p.Guarded {
		e := k.expected(h.v, true)
		text := ""
		if p.Kind == File {
			text = "the file is hidden, of the system or read-only"
		}
		lower(e, text)
	}
	base := best
	if t.isMessage(h) || t.isCount(h) && !w.goesOn(k) {
		best, why = 1, "" // by itself it stands there for a reason of its own
	}
	if best <= bar {
		return best, why
	}
	factor, text := t.beside(h, p, s.size, strings.HasPrefix(k.name, "be") && !strings.Contains(k.name, "swap"))
	if factor < 1 {
		lower(base*factor, text)
	}
	if j, ok := k.partner(i); ok && k.count > 0 {
		rate := k.total() / k.count * 2 * listReach
		at, in := t.place(k.hits[j].at)
		lower(base*min(1, rate), fmt.Sprintf("the same kind of number stands beside it (sector %d, byte %d) and names %s", at,
			in, s.list[k.hits[j].place].Name))
	}
	if s.leads(k, h.place) {
		lower(base*factor*bestEvidence, "what it names is itself a list of such numbers")
	}
	// Tables of code count from a small number upwards, for reasons of their own.
	if (w.goesOn(k) || bits.Len32(h.v) >= small) && s.listed(k, t, h.at, -1) {
		lower(base*bestEvidence, "with it begins a list of such numbers")
	}
	return best, why
}

// isMessage tells whether a number is made of the letters of a message, or of the line
// end behind one: every boot sector has some, at no place of chance.
func (t *text) isMessage(h hit) bool {
	letter := func(c byte) bool { return c == '\r' || c == '\n' || c >= ' ' && c <= '~' }
	if h.at == 0 || !letter(t.b[h.at-1]) {
		return false
	}
	some := false
	for _, c := range t.b[h.at : h.at+h.width] {
		if c != 0 && !letter(c) {
			return false
		}
		some = some || c != 0
	}
	return some
}

// isCount tells whether a number is small and stands in much code, which is full of
// lengths, offsets and counts. They are not spread by chance: a header of packed code
// that gives a length of 1,883 names by it whatever begins there.
func (t *text) isCount(h hit) bool { return len(t.b) > muchCode && bits.Len32(h.v) < small }

// muchCode is more than the boot sectors of a volume have with their backups, and less
// than a program. By hand, no source.
const muchCode = 4 << 10

// partner returns another hit of the same kind close by that names another place.
func (k *kind) partner(i int) (int, bool) {
	h := k.hits[i]
	for _, step := range []int{-1, 1} {
		for j := i + step; j >= 0 && j < len(k.hits); j += step {
			o := k.hits[j]
			apart := (o.at - h.at) * step
			if apart > listReach+h.width {
				break
			}
			if apart >= h.width && o.place != h.place {
				return j, true
			}
		}
	}
	return 0, false
}
