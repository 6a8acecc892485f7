package compare

import (
	"cmp"
	"slices"
	"strings"

	"bootgraft/layout/rule/candidate"
)

// candidate is one reading of some bytes of a sheet as a number of N.
type guess struct {
	s            *sheet
	at           int
	form         *candidate.Form
	cover        []int // differing bytes that it explains
	fit          *fitted
	alternatives []*guess
	on           *candidate.Place // the number that it follows from; nil: the size
	near         bool             // and lies beside
}

func (c *guess) end() int { return c.at + c.form.Width }

func (c *guess) place() candidate.Place {
	p := c.s.at
	p.Byte = c.at
	return p
}

// binaryForms and codedForms are the forms tried, in order.
var binaryForms, codedForms = formsOf(candidate.Binary), formsOf(candidate.Coded)

func formsOf(names []candidate.Encoding) []*candidate.Form {
	var out []*candidate.Form
	for _, e := range names {
		f, err := candidate.FormOf(e)
		if err != nil {
			panic(err)
		}
		out = append(out, f)
	}
	return out
}

// numbers reads every run of bytes that holds a difference as a number, in
// every encoding, and keeps what follows the size.
func (w *worker) numbers() error {
	w.fields, w.tried = nil, 0
	if slices.Max(w.c.sizes) == slices.Min(w.c.sizes) {
		return nil
	}
	order := w.c.bySize()
	readers := make([]*numberReader, len(w.sheets))
	err := w.each(len(w.sheets), func(i int) {
		readers[i] = &numberReader{s: w.sheets[i], order: order, values: make([]uint64, len(w.dumps))}
		for _, f := range w.fits {
			readers[i].fits = append(readers[i].fits, f.again())
		}
		readers[i].all()
	})
	if err != nil {
		return err
	}
	for _, r := range readers {
		w.fields = append(w.fields, r.found...)
		w.tried += r.tried
	}
	return nil
}

// numberReader reads the numbers of one sheet.
type numberReader struct {
	s      *sheet
	fits   []*fitter // by the sectors, and by the sizes that some disk tells from them
	order  []int     // the disks, by what any of these sizes says: ascending
	values []uint64  // scratch
	tried  float64
	found  []*guess
	text   []bool // bytes that are readable text on all disks
}

// minText is how many readable characters in a row are text.
const minText = 6

// textOf tells which bytes of a sheet are readable text on all disks: ASCII letters
// and digits, and what stands between them.
func textOf(s *sheet) []bool {
	out := make([]bool, len(s.diff))
	for i := range out {
		out[i] = !slices.ContainsFunc(s.data, func(b []byte) bool { return b[i] < ' ' || b[i] > '~' })
	}
	for _, run := range stretches(out) {
		if run[1]-run[0] < minText {
			clear(out[run[0]:run[1]])
		}
	}
	return out
}

// isText tells whether a reading takes text for anything but digits.
func (r *numberReader) isText(f *candidate.Form, at int) bool {
	if r.text == nil {
		r.text = textOf(r.s)
	}
	return !f.Digits() && !slices.Contains(r.text[at:at+f.Width], false)
}

func (r *numberReader) all() {
	n, first, last := len(r.s.diff), len(r.s.diff), -1
	open, done := make([]int, n+1), make([]int, n+1) // differing bytes before each, not explained and explained
	for i, differs := range r.s.diff {
		open[i+1], done[i+1] = open[i], done[i]
		switch {
		case differs && r.s.done[i]:
			done[i+1]++
		case differs:
			open[i+1]++
			first, last = min(first, i), i
		}
	}
	for _, f := range slices.Concat(binaryForms, codedForms) {
		for at := max(0, first-f.Width+1); at <= min(last, n-f.Width); at++ {
			covered := open[at+f.Width] - open[at]
			if covered > 0 && done[at+f.Width] == done[at] { // what a copy explains is none
				r.number(f, at, covered)
			}
		}
	}
}

// number reads the bytes at at, of which covered differ.
func (r *numberReader) number(f *candidate.Form, at, covered int) {
	if r.isText(f, at) {
		return
	}
	falls := false // while the size goes up, as nearly all do
	for i, k := range r.order {
		v, ok := f.Decode(r.s.data[k][at : at+f.Width])
		if !ok {
			return
		}
		r.values[k] = v
		falls = falls || i > 0 && v < r.values[r.order[i-1]]
		if falls && f.Any() {
			break
		}
	}
	if r.tried++; falls {
		return
	}
	if fit := fitAny(r.fits, r.values, covered); fit != nil {
		r.found = append(r.found, &guess{s: r.s, at: at, form: f, cover: r.s.openBytes(at, at+f.Width), fit: fit})
	}
}

// likelyNumber is how many bits a reading may lack and still be a number rather than chance:
// it comes before those which may be the upper part of a longer one, however much these
// predict. By hand, no source; bits are counted as if every reading tried were another
// chance, so numbers lie some bits below zero (see chanceBits), and none so far.
const likelyNumber = -8

// choose takes, of the readings that share bytes, the one that explains most;
// those that explain the same or more are its alternatives. It returns those that
// are beyond chance and the rest apart.
func (w *worker) choose() (strong, weak []*guess) {
	tier := func(c *guess) int {
		switch bits := w.bits(c) + c.shape(); {
		case bits >= bar && !c.torn():
			return 0
		case bits > likelyNumber && !c.torn():
			return 1
		case bits >= bar:
			return 2
		}
		return 3
	}
	said := map[*guess]float64{}
	for _, c := range w.fields {
		said[c] = c.rank() + w.likely(c)
	}
	byRank := func(a, b *guess) int {
		if x, y := tier(a), tier(b); x != y {
			return x - y
		}
		return cmp.Or(cmp.Compare(said[b], said[a]), cmp.Compare(b.fit.bits, a.fit.bits))
	}
	groups := map[*sheet][]*guess{}
	for _, c := range w.fields {
		groups[c.s] = append(groups[c.s], c)
	}
	for _, s := range w.sheets {
		all := groups[s]
		slices.SortStableFunc(all, byRank)
		var taken []*guess
		for _, c := range all {
			if !w.place(c, taken) || c.fit.bits <= 0 {
				continue
			}
			taken = append(taken, c)
			if w.bits(c) >= bar {
				strong = append(strong, c)
			} else {
				weak = append(weak, c)
			}
		}
	}
	return strong, weak
}

// bits returns what the guess predicts beyond chance: nothing if as many numbers
// of its formula were made up as there are sizes.
func (w *worker) bits(c *guess) float64 {
	bits := c.fit.bits - cost(w.tried)
	switch {
	case c.fit.madeUp:
		return min(bits, chanceBits)
	case c.fit.absurd:
		return min(bits, bar-1)
	}
	return bits
}

// rank puts readings that cover more first, then the usual shapes: words at
// their natural place.
func (c *guess) rank() float64 {
	r := 100 * float64(len(c.cover))
	if c.form.Width != 0 && c.at%c.form.Width == 0 {
		r += 8
	}
	for i, f := range binaryForms {
		if f == c.form {
			r += 4 - 0.2*float64(i)
		}
	}
	if c.padded() {
		r -= 30
	}
	if c.form.Low() == 0 { // the words of few devices stand in another order than their bytes
		r -= 12
	}
	return r + min(c.fit.bits, 200) + c.shape()
}

// padded tells whether the digits of a number go on before it, as zeros or blanks
// that fill its room: then it is longer than this.
func (c *guess) padded() bool {
	e := string(c.form.Encoding)
	if c.at == 0 || c.s.diff[c.at-1] {
		return false
	}
	before := c.s.data[0][c.at-1]
	return (before == '0' || before == ' ') && (strings.HasPrefix(e, "sdec") || strings.HasPrefix(e, "dec"))
}

// place tells whether c stands beside those already taken. One that covers
// the same bytes as one of them is its rival.
func (w *worker) place(c *guess, taken []*guess) bool {
	for _, t := range taken {
		if c.end() <= t.at || t.end() <= c.at {
			continue
		}
		if contains(c.cover, t.cover) && w.alternatives(c, t) {
			t.alternatives = append(t.alternatives, c)
		}
		return false
	}
	return true
}

func contains(a, b []int) bool {
	return !slices.ContainsFunc(b, func(i int) bool { return !slices.Contains(a, i) })
}

// alternatives tells whether c is an honest other reading of the bytes of t: as
// likely beyond chance, and not the same number in 3 or 6 bytes beside a word
// of 4 or 8 at an even place.
func (w *worker) alternatives(c, t *guess) bool {
	odd := c.form.Width%2 != 0 || c.form.Width == 6
	if odd && t.form.Width%4 == 0 && t.at%2 == 0 {
		return false
	}
	return c.fit.bits > 0 && t.fit.bits-c.fit.bits < bar
}

// acceptWeak makes fields of candidates that may be chance, the likeliest first, and
// after each of what follows from it: that a number is so many times another one is
// likelier than that both follow the size.
func (w *worker) acceptWeak(list []*guess) {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b *guess) int { return cmp.Compare(w.worth(b), w.worth(a)) })
	accept := func(i int) {
		if c := list[i]; w.acceptOne(c, w.worth(c)) {
			w.relationsIn(c.s, list[i+1:], 0)
		}
	}
	for i, c := range list {
		if of := slices.IndexFunc(list, func(o *guess) bool { return w.saysMore(o, c) }); of >= 0 {
			accept(of)
		}
		accept(i)
	}
}

// worth is what shows that the bytes of a guess follow the size at all, by whatever of its
// readings. What proves one of these is what this one predicts itself.
func (w *worker) worth(c *guess) float64 {
	worth := w.bits(c)
	for _, a := range c.alternatives {
		worth = max(worth, min(w.bits(a), bar-1))
	}
	return worth
}

// acceptOne makes a field of a candidate, and tells whether its bytes were open.
func (w *worker) acceptOne(c *guess, bits float64) bool {
	if c.s.open(c.at, c.end()) != len(c.cover) {
		return false
	}
	f := c.field(w.surely(bits))
	c.s.explain(c.at, c.end())
	w.c.Fields = append(w.c.Fields, f)
	w.c.Bytes[f.Class] += int64(len(c.cover))
	return true
}

// field makes a field of the guess.
func (c *guess) field(bits float64) Field {
	f := Field{Place: c.place(), Class: Size, Width: c.form.Width, Bits: tenths(bits), On: c.on}
	readings := append([]*guess{c}, c.alternatives...)
	usual := usualReadings(readings)
	for i, r := range readings {
		if len(f.Ways) == maxWays {
			f.Doubt = "too many readings of its bytes fit"
			break
		}
		f.Ways = append(f.Ways, Way{r.at, r.form.Encoding, r.fit.formulas, usual[i]})
		if r.fit.wide {
			f.Doubt = "its numbers have too few digits: too many formulas fit"
		}
	}
	switch {
	case c.fit.unseen:
		f.Doubt = "a disk that is left out is not foretold by the others"
	case c.on != nil && !c.near && !c.carries():
		f.Doubt = "no byte of it ever carries into the next: a sum in another byte order would give the same"
	}
	if g := f.Ways[0].Formulas[0]; f.On == nil && g.constant() && g.Min < -1 {
		f.Class = Address
	}
	return f
}

// carries tells whether a number that is another one and an amount shows on any disk that
// the two are added as numbers, and not byte by byte, as the words of a sum are that are
// read in another order. By any other formula it is no such sum.
func (c *guess) carries() bool {
	g := c.fit.formulas[0]
	if g.Times != 1 || g.Of != 1 || g.Per != 1 {
		return true
	}
	const low = 0x7F7F7F7F7F7F7F7F // of each byte all bits but the highest
	amount := uint64(g.Min)
	return slices.ContainsFunc(c.values(), func(v uint64) bool {
		x := v - amount
		return (v^(x&low+amount&low)^(x^amount)&^low)<<(64-8*c.form.Width) != 0
	})
}

// torn tells whether a byte of lower worth beside the number differs too: then it may
// be the upper part of a longer one.
func (c *guess) torn() bool { return torn(c.s, c.form, c.at) }

func torn(s *sheet, form *candidate.Form, at int) bool {
	end := at + form.Width
	return s.open(at-1, at) > 0 && form.Low() <= 0 || s.open(end, end+1) > 0 && form.Low() >= 0
}

// doubts takes the proof from fields beside which a byte of lower worth
// differs without a rule: they may be the upper part of a longer number.
func (w *worker) doubts() {
	bySector := sheetsBySector(w.sheets)
	for i := range w.c.Fields {
		f := &w.c.Fields[i]
		s := bySector[f.Place.SectorStart()]
		form, err := candidate.FormOf(f.Ways[0].Encoding)
		if err != nil {
			continue
		}
		if torn(s, form, f.Byte) && f.Doubt == "" {
			f.Doubt = "a byte beside it differs without a rule: this may be the upper part of a longer number"
		}
	}
}
