package compare

import (
	"fmt"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// State tells how far a rule can be relied on for a card.
type State string

// The states.
const (
	Proved    State = "proved"
	Undecided State = "undecided"
)

// Answer is what a field holds on a card of a certain size.
type Answer struct {
	State  State
	Value  uint64 // by the simplest formula
	Byte   int    // in the sector of the field: where Bytes lie
	Width  int
	Bytes  []byte
	Others []Other
	Why    string // undecided: the reason

	Encoding candidate.Encoding // of Bytes

	// Formula is the one that gives Value. Alone tells whether the field itself is
	// decided: what is open is the size that the device counts with, what it
	// does beyond all originals, or the number that the field follows from.
	Formula Formula
	Alone   bool
}

// Other is another reading, and what it would put on the card.
type Other struct {
	Formula string
	Value   uint64
	Byte    int    // in the sector of the field: where Bytes lie
	Bytes   []byte // nil if the value cannot be written
}

// spoken is a formula of one reading, and the size that it is given.
type spoken struct {
	way int
	Formula
	n     int64
	share float64 // of n, where it is another number
}

// in returns what a field says of a card of n sectors if the device counts with
// c. Formulas of no Count hold for every size that no original tells from its
// sectors; a field that says nothing about c says what it always does.
func (r *Rules) in(c Count, f *Field, n disk.Sector) (out []spoken) {
	if f.On != nil {
		return r.follows(c, f, n)
	}
	if out = r.by(c, f, n); len(out) > 0 {
		return out
	}
	for i, w := range f.Ways {
		for _, g := range w.Formulas {
			out = append(out, spoken{i, g, int64(n), 1})
		}
	}
	return out
}

// by returns what a field that follows the size says if the device counts with c: nothing
// if it cannot.
func (r *Rules) by(c Count, f *Field, n disk.Sector) (out []spoken) {
	plain := r.plain(c)
	for i, w := range f.Ways {
		for _, g := range w.Formulas {
			switch {
			case g.Count == c:
				out = append(out, spoken{i, g, int64(n), 1})
			case g.Count == (Count{}) && plain:
				g.Count = c // as it is told
				out = append(out, spoken{i, g, int64(n), 1})
			}
		}
	}
	return out
}

// countsAlone is why a number is proved for no card that does not count with the likeliest
// size: a device counts with one, so it or others are misread.
const countsAlone = "it counts with another size than the other numbers, and one of them may be misread"

func (r *Rules) countsAlone(f *Field) bool { return f.On == nil && len(r.by(r.counts()[0], f, 0)) == 0 }

// doubtAlone takes the proof from such numbers.
func (r *Rules) doubtAlone() {
	for i := range r.Fields {
		if f := &r.Fields[i]; f.Doubt == "" && r.countsAlone(f) {
			f.Doubt = countsAlone
		}
	}
}

// follows returns what a number says that follows from another one, for each value
// that this may have.
func (r *Rules) follows(c Count, f *Field, n disk.Sector) (out []spoken) {
	of := r.Field(*f.On)
	if of == nil {
		return nil
	}
	values := r.values(c, of, n)
	for i, w := range f.Ways {
		for _, v := range values {
			for _, g := range w.Formulas {
				out = append(out, spoken{i, g, v.n, v.share})
			}
		}
	}
	return out
}

// value is a number that another one may follow from.
type value struct {
	n     int64
	share float64 // of its options
}

// values returns what a number may be that others follow from. They follow from it as it
// is read first: by a longer or shorter reading it is another number.
func (r *Rules) values(c Count, f *Field, n disk.Sector) (out []value) {
	first := *f
	if f.first != nil {
		first.Ways = []Way{*f.first}
	} else {
		first.Ways = f.Ways[:1]
	}
	options, err := r.options(c, &first, n)
	if err != nil {
		return nil
	}
	total := 0.0
	for _, o := range options {
		total += o.share
	}
	for _, o := range options[:min(len(options), maxFormulas)] {
		out = append(out, value{int64(o.value), o.share / total})
	}
	return out
}

// Field returns the number at a place, nil if there is none.
func (r *Rules) Field(p candidate.Place) *Field {
	for i := range r.Fields {
		if r.Fields[i].Place == p {
			return &r.Fields[i]
		}
	}
	return nil
}

// Answer returns what a field holds on a card of n sectors, by the likeliest of
// the sizes that the device may count with. It is proved if everything that is
// left says the same. A value that has outgrown the bytes that were seen to
// change is written in a longer reading of them, undecided; an error means that
// there is none, or that the value is below zero.
func (r *Rules) Answer(f *Field, n disk.Sector) (Answer, error) {
	counts := r.counts()
	options, err := r.options(counts[0], f, n)
	if err != nil {
		return Answer{}, err
	}
	a := options[0].answer(f)
	a.alternatives(f, options[1:], r.in(counts[0], f, n))
	if a.Why == "" && r.countsAlone(f) { // what is likeliest may be another size for each card
		a.Why = countsAlone
	}
	f.judge(&a)
	a.Alone = a.State == Proved
	apart := len(a.Others)
	for _, c := range counts[1:] {
		options, _ := r.options(c, f, n) // one that cannot be written is another all the same
		a.alternatives(f, options, r.in(c, f, n))
	}
	if a.Why == readingsText(apart) {
		a.Why = readingsText(len(a.Others))
	}
	switch wall := r.beyond(n); {
	case !a.Alone:
	case len(a.Others) > 0:
		a.State, a.Why = Undecided, "the originals do not tell with which size the device counts"
	case wall > 0:
		a.State, a.Why = Undecided, fmt.Sprintf("no original reaches beyond %s sectors", disk.Grouped(wall))
	case f.On != nil && !r.proves(r.Field(*f.On), n):
		a.State, a.Why = Undecided, fmt.Sprintf("it follows from the number at %s, which is not decided", *f.On)
	}
	return a, nil
}

// proves tells whether a number, nil if it is none, is proved for a card of n sectors.
func (r *Rules) proves(f *Field, n disk.Sector) bool {
	if f == nil {
		return false
	}
	a, err := r.Answer(f, n)
	return err == nil && a.State == Proved
}

// answer is what the field holds by the option.
func (o *option) answer(f *Field) Answer {
	a := Answer{State: Proved, Value: o.value, Byte: o.at, Width: len(o.bytes), Bytes: o.bytes, Why: f.Doubt,
		Encoding: f.Ways[o.way].Encoding, Formula: o.formula}
	if short := f.outgrown(o); short != nil && a.Why == "" {
		a.Why = fmt.Sprintf("%d does not fit the %d bytes that were seen to change; it is written as %s",
			o.value, short.Width, f.Ways[o.way].Encoding)
	}
	return a
}

// outgrown returns the form of an earlier reading of the same number, which has no room
// for it; nil if there is none.
func (f *Field) outgrown(o *option) *candidate.Form {
	for _, w := range f.Ways[:o.way] {
		same := func(g Formula) bool { // be it of a size that no original tells from its sectors
			g.Count = o.band.Count
			return g == o.band
		}
		form, err := candidate.FormOf(w.Encoding)
		if err != nil || !slices.ContainsFunc(w.Formulas, same) {
			continue
		}
		if _, err := encode(w.Encoding, o.value); err != nil {
			return form
		}
	}
	return nil
}

// first is the formula that answers by the likeliest size, and its value.
func (r *Rules) first(f *Field, n disk.Sector) (option, error) {
	options, err := r.options(r.counts()[0], f, n)
	if err != nil {
		return option{}, err
	}
	return options[0], nil
}

// judge settles the state of an answer by the field alone.
func (f *Field) judge(a *Answer) {
	switch {
	case a.Why != "":
	case f.Bits < bar:
		a.Why = tooLikely(f.Bits)
	case len(a.Others) > 0:
		a.Why = readingsText(len(a.Others))
	}
	if a.Why != "" {
		a.State = Undecided
	}
}

// readingsText says how many readings there are, with the others beside the first.
func readingsText(others int) string {
	return fmt.Sprintf("%d readings fit all disks and differ for this size", others+1)
}

// alternatives adds every reading whose bytes differ from those of the first: the options,
// the likeliest first, and what else the formulas give, be it nothing that can be
// written.
func (a *Answer) alternatives(f *Field, options []option, said []spoken) {
	add := func(o Other) {
		if !slices.ContainsFunc(a.Others, o.same) {
			a.Others = append(a.Others, o)
		}
	}
	for _, o := range options {
		if !agree(a.Byte, a.Bytes, o.at, o.bytes) {
			add(Other{o.formula.String(), o.value, o.at, o.bytes})
		}
	}
	for _, x := range said {
		w := f.Ways[x.way]
		for _, end := range []int64{x.Min, x.Max} {
			h := x.Formula
			h.Min, h.Max = end, end
			o := Other{Formula: h.String()}
			if v, ok := x.one(x.n, end); ok && v >= 0 {
				b, err := encode(w.Encoding, uint64(v))
				if err == nil && agree(a.Byte, a.Bytes, w.Byte, b) {
					continue
				}
				o.Value, o.Byte, o.Bytes = uint64(v), w.Byte, b
				if err != nil {
					o.Bytes = nil
				}
			}
			add(o)
		}
	}
}

// same tells whether two readings make the same card: they write the same number, or
// the same bytes that are no number of the same encoding.
func (o Other) same(p Other) bool {
	if o.Bytes == nil || p.Bytes == nil {
		return o.Value == p.Value && o.Bytes == nil && p.Bytes == nil
	}
	return o.Byte == p.Byte && slices.Equal(o.Bytes, p.Bytes) || o.Value == p.Value &&
		agree(o.Byte, o.Bytes, p.Byte, p.Bytes)
}

// agree tells whether two runs of bytes are equal where both have any.
func agree(at int, a []byte, bt int, b []byte) bool {
	for i := range a {
		if j := at + i - bt; j >= 0 && j < len(b) && a[i] != b[j] {
			return false
		}
	}
	return true
}

func encode(e candidate.Encoding, v uint64) ([]byte, error) {
	f, err := candidate.FormOf(e)
	if err != nil {
		return nil, err
	}
	b := make([]byte, f.Width)
	return b, f.Encode(b, v)
}

// Verdict says of every rule whether it decides a card of n sectors.
type Verdict struct {
	Proved, Undecided, Unexplained int
	Open                           []candidate.Place // of the undecided rules
}

// For returns the verdict for a card of n sectors.
func (r *Rules) For(n disk.Sector) Verdict {
	var v Verdict
	for i := range r.Fields {
		if f := &r.Fields[i]; !r.proves(f, n) {
			v.Open = append(v.Open, f.Place)
		}
	}
	for _, c := range r.Checks {
		if c.State() != Proved {
			v.Open = append(v.Open, c.Place)
		}
	}
	v.Undecided = len(v.Open)
	v.Proved = len(r.Fields) + len(r.Checks) - v.Undecided
	for _, s := range r.Carried {
		if s.Class == Unexplained {
			v.Unexplained++
		}
	}
	return v
}

// String is one line for a person.
func (v Verdict) String() string {
	return fmt.Sprintf("%d proved, %d undecided, %d unexplained", v.Proved, v.Undecided, v.Unexplained)
}
