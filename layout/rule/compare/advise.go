package compare

import (
	"cmp"
	"math"
	"slices"

	"bootgraft/image/disk"
)

// Advice is a size of which another original would decide most.
type Advice struct {
	Size disk.Sector
	Left int // fields that would still be undecided for the card

	open float64 // fields that are expected to stay undecided
	gain float64 // bits that the original would predict
}

// maxAdvice is how many sizes are recommended; by hand, no source.
const maxAdvice = 3

// Advice returns the sizes of which another original would decide most for a card of
// n sectors, or if n is 0 for one that is larger than all originals; none if that card
// is decided already, or if no size would help. It returns the size of the card too.
func (r *Rules) Advice(n disk.Sector) (list []Advice, card disk.Sector) {
	if card = n; card == 0 {
		card = r.Sizes[len(r.Sizes)-1]*2 - 7
	}
	if len(r.Fields) == 0 || r.For(card).Undecided == 0 {
		return nil, card
	}
	list = r.Advise(card, r.offered())
	return list[:min(len(list), maxAdvice)], card
}

// offered are sizes in which drives and cards are sold (common practice, no source):
// as many sectors as the package says, in whole cylinders of 16 heads and 63 sectors,
// and a little less.
func (r *Rules) offered() (out []disk.Sector) {
	least := r.Head + r.Tail + 1
	for _, mb := range []int64{128, 256, 512, 1000, 2000, 4000, 8000, 16000, 32000, 64000} {
		n := disk.Sector(mb * 1e6 / int64(r.SectorSize))
		for _, size := range []disk.Sector{n, n - n%1008, n - n%1008 - 331} {
			if size > least && size < 16*r.Sizes[len(r.Sizes)-1] && !slices.Contains(out, size) {
				out = append(out, size)
			}
		}
	}
	return out
}

// Advise tells which of the given sizes, in sectors, another original should
// have so that a card of n sectors is decided: a unit of that size, or a card
// of that size which the device has initialised. The best come first: half of
// the expectation is that the simplest formula is the true one, half that every
// amount which is open is as likely. Sizes already compared are left out.
func (r *Rules) Advise(n disk.Sector, sizes []disk.Sector) []Advice {
	var out []Advice
	for _, s := range sizes {
		if slices.Contains(r.Sizes, s) {
			continue
		}
		a := Advice{Size: s}
		left := r.surviving(s)
		for i := range r.Fields {
			f := &r.Fields[i]
			there, err := r.first(f, s)
			if err != nil { // no disk of this size can hold it
				a.Left++
				a.open++
				continue
			}
			gain := r.gain(f, there.band, s)
			a.gain += gain
			if r.left(f, left, n, s) || f.Doubt != "" || f.Bits+gain < bar {
				a.Left++
				a.open += 0.5
			}
			a.open += 0.5 * there.band.open(int64(n), int64(s))
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(a, b Advice) int {
		return cmp.Or(cmp.Compare(a.open, b.open), cmp.Compare(b.gain, a.gain))
	})
	return out
}

// surviving returns the sizes that the device may still count with after an
// original of s sectors that is as the likeliest of them says.
func (r *Rules) surviving(s disk.Sector) (out []Count) {
	first := r.counts()[0]
	for _, c := range r.counts() {
		falls := c.Of(s) != first.Of(s) && r.TailReach() > 0
		for i := range r.Fields {
			f := &r.Fields[i]
			there, err := r.first(f, s)
			falls = falls || err == nil && !slices.ContainsFunc(r.in(c, f, s), func(x spoken) bool {
				_, fits := x.giving(x.n, int64(there.value))
				return fits
			})
		}
		if !falls {
			out = append(out, c)
		}
	}
	return out
}

// left tells whether a reading by one of the counts would fit an original of s
// sectors as well as the first does, and still put something else on a card of n.
func (r *Rules) left(f *Field, counts []Count, n, s disk.Sector) bool {
	for f = range r.chain(f) { // it is decided when the last of them is
	}
	if f == nil {
		return true
	}
	there, err1 := r.first(f, s)
	here, err2 := r.first(f, n)
	if err1 != nil || err2 != nil {
		return true
	}
	for _, c := range counts {
		for _, x := range r.in(c, f, n) {
			h, fits := x.giving(int64(s), int64(there.value))
			if !fits {
				continue
			}
			lo, hi, ok := h.At(n)
			if !ok || lo != here.value || hi != here.value {
				return true
			}
		}
	}
	return false
}

// open returns the share of the band that an original of s sectors would
// leave undecided for a card of n.
func (f Formula) open(n, s int64) float64 {
	lo, ok1 := f.one(n, f.Min)
	hi, ok2 := f.one(n, f.Max)
	if !ok1 || !ok2 {
		return 1
	}
	if lo == hi {
		return 0
	}
	first, ok1 := f.one(s, f.Min)
	last, ok2 := f.one(s, f.Max)
	if !ok1 || !ok2 || last-first > maxUnits*f.Times {
		return 1
	}
	left := 0.0
	for v := first; v <= last; v += f.Times {
		h, fits := f.giving(s, v)
		if !fits {
			continue
		}
		a, _ := h.one(n, h.Min)
		b, _ := h.one(n, h.Max)
		if a != b {
			left += float64(h.Max-h.Min+1) / float64(f.Max-f.Min+1)
		}
	}
	return left
}

// gain returns how many bits the first formula predicts of a field on an
// original of s sectors: as many as its values differ in, less what is open.
func (r *Rules) gain(f *Field, g Formula, s disk.Sector) float64 {
	lo, hi, ok := g.At(s)
	if !ok || len(r.Sizes) == 0 {
		return 0
	}
	least, _, ok1 := g.At(min(s, r.Sizes[0]))
	_, most, ok2 := g.At(max(s, r.Sizes[len(r.Sizes)-1]))
	if !ok1 || !ok2 || most < least {
		return 0
	}
	width := min(float64(8*f.Width), math.Log2(float64(most-least)+1))
	return max(0, width-math.Log2(float64(hi-lo)/float64(g.Times)+1))
}

// giving returns the part of the band that gives v for n sectors.
func (f Formula) giving(n, v int64) (Formula, bool) {
	n = int64(f.Count.Of(disk.Sector(n)))
	q := v - f.Plus
	if q%f.Times != 0 {
		return f, false
	}
	q /= f.Times
	if math.Abs(float64(q))*float64(f.Per) > limit || float64(n)*float64(f.Of) > limit {
		return f, false
	}
	add := q*f.Per - n*f.Of
	f.Min, f.Max = max(f.Min, add), min(f.Max, add+f.Per-1)
	return f, f.Min <= f.Max
}
