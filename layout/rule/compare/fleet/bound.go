package fleet

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"bootgraft/image/disk"
)

// What nobody can know is no fault of a program that does not know it. Best is who
// knows how models are drawn, where the numbers of this one lie and how they are
// written, and reckons with every one that agrees with the originals (Bayes' rule):
// no order of tries is right more often than that of Best.

// Outcome is what a card holds, and how likely that is after the originals.
type Outcome struct {
	Text  string // the start of the tail, if anything lies there, and every number
	Share float64
}

// counting is a size that a model may count with.
type counting struct {
	cut   int64
	share float64
	of    func(n int64) int64
}

// countings lists them, with their shares of all models.
func countings() []counting {
	whole := func(n int64) int64 { return n }
	out := []counting{{0, 3. / 6, whole},
		{0, 1. / 24, func(n int64) int64 { return min(n, 66_060_288) }},
		{0, 1. / 24, func(n int64) int64 {
			if n > 1<<28 {
				return n % (1 << 28)
			}
			return n
		}}}
	for _, cut := range cutsDrawn {
		out = append(out, counting{cut, 2. / 6 / float64(len(cutsDrawn)), func(n int64) int64 { return n / cut * cut }})
	}
	return out
}

// Best returns what a card of n sectors holds in the eyes of Best, the likeliest
// first, and the Outcome that is true.
func (m *Model) Best(originals []disk.Sector, n disk.Sector) (all []Outcome, truth string) {
	of := map[string]float64{}
	total := 0.0
	for _, c := range countings() {
		if !m.sameTail(c, originals) {
			continue
		}
		text := ""
		if m.endMatters() {
			text = fmt.Sprint(c.of(int64(n)))
		}
		shares := map[string]float64{text: c.share}
		for i, x := range m.numbers {
			shares = join(shares, m.says(c, i, x, originals, int64(n)))
		}
		for _, text := range slices.Sorted(maps.Keys(shares)) {
			of[text] += shares[text]
			total += shares[text]
		}
	}
	for _, text := range slices.Sorted(maps.Keys(of)) {
		all = append(all, Outcome{text, of[text] / total})
	}
	slices.SortStableFunc(all, func(a, b Outcome) int { return cmp.Compare(b.Share, a.Share) })
	return all, m.truth(int64(n))
}

// truth is the outcome that the model has.
func (m *Model) truth(n int64) string {
	var s strings.Builder
	if m.endMatters() {
		fmt.Fprint(&s, m.count(n))
	}
	for _, x := range m.numbers {
		fmt.Fprintf(&s, " %d", x.of(m.count(n), n))
	}
	return s.String()
}

// endMatters tells whether anything lies before the end that the model counts.
func (m *Model) endMatters() bool { return m.firm > 0 || len(m.copies) > 0 }

// sameTail tells whether the tails of the originals lie where c has them.
func (m *Model) sameTail(c counting, originals []disk.Sector) bool {
	return !m.endMatters() || !slices.ContainsFunc(originals,
		func(n disk.Sector) bool { return c.of(int64(n)) != m.count(int64(n)) })
}

// mostOutcomes bounds what is kept of the values of one number or card: the rest
// together is far less than one in a thousand.
const mostOutcomes = 512

// join puts the values of one number more behind every outcome.
func join(shares, values map[string]float64) map[string]float64 {
	out := map[string]float64{}
	for text, share := range shares {
		for value, p := range values {
			out[text+" "+value] = share * p
		}
	}
	if len(out) > mostOutcomes {
		byShare := func(a, b string) int { return cmp.Or(cmp.Compare(out[b], out[a]), cmp.Compare(a, b)) }
		for _, text := range slices.SortedFunc(maps.Keys(out), byShare)[mostOutcomes:] {
			delete(out, text)
		}
	}
	return out
}

// says returns the values that the i-th number may have on a card of n sectors, with
// the share of all draws that give them and agree with the originals.
func (m *Model) says(c counting, i int, x number, originals []disk.Sector, n int64) map[string]float64 {
	out := map[string]float64{}
	agrees := func(d drawn) bool {
		return !slices.ContainsFunc(originals, func(o disk.Sector) bool {
			return d.of(c.of(int64(o)), int64(o)) != x.of(m.count(int64(o)), int64(o))
		})
	}
	see := func(d drawn, share float64) { out[fmt.Sprint(d.of(c.of(n), n))] += share }
	if i >= m.drawn { // of relations and strange numbers Best knows the formula
		if d := (drawn{x.what, x.of}); agrees(d) {
			see(d, 1)
		}
		return out
	}
	areas, cylinders := areasDrawn(m.head), cylindersDrawn(c.cut)
	for _, unit := range unitsDrawn {
		for _, area := range areas {
			for _, cyl := range cylinders {
				all := saying(unit, area, cyl)
				for _, d := range all {
					if agrees(d) {
						fits, same := writersFor(d), 0
						for _, w := range fits {
							if w.name == x.how.name {
								same++
							}
						}
						see(d, float64(same)/float64(len(fits)*len(unitsDrawn)*len(areas)*len(cylinders)*len(all)))
					}
				}
			}
		}
	}
	return out
}
