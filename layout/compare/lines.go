package compare

import (
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/layout"
)

// Line is one rule in words, for people.
type Line struct {
	Place        Place
	Class        Class
	Width        int     // bytes of the number or checksum; of a copy, bytes in all
	Rule         string  // the formula, the algorithm and its span, or what is repeated
	Encoding     string  // how a number or checksum is written; see boot.Encoding
	Bits         float64 // foretold beyond chance; 0 for a copy, which is seen and not foretold
	State        State
	Value        string   // on the card, if a card was asked for and the number can be written
	Alternatives []string // what else fits all originals
	Why          string   // what is open, if anything
}

// Lines returns a line for every field, checksum and copy, in the order of
// their places, as they are for a card of n sectors. With n of 0 no card is
// meant: then Proved says that a rule is beyond chance, and the alternatives
// are all other readings, between which a card may still have to be decided.
func (r *Rules) Lines(n layout.Sector) []Line {
	var out []Line
	for i := range r.Fields {
		out = append(out, r.Fields[i].line(n))
	}
	for i := range r.Checks {
		out = append(out, r.Checks[i].line())
	}
	for i := range r.Copies {
		out = append(out, r.Copies[i].line(r.SectorSize))
	}
	slices.SortStableFunc(out, func(a, b Line) int { return a.Place.compare(b.Place) })
	return out
}

func (f *Field) line(n layout.Sector) Line {
	w := f.Ways[0]
	l := Line{Place: f.Place, Class: f.Class, Width: f.Width, Rule: w.Formulas[0].String(), Encoding: string(w.Encoding), Bits: f.Bits}
	if n > 0 {
		f.onCard(n, &l)
		return l
	}
	a := Answer{State: Proved, Why: f.Doubt}
	f.judge(0, &a)
	l.State, l.Why = a.State, a.Why
	for i, w := range f.Ways {
		for j, g := range w.Formulas {
			if i+j > 0 {
				l.Alternatives = append(l.Alternatives, fmt.Sprintf("%s at byte %d: %s", w.Encoding, w.Byte, g))
			}
		}
	}
	return l
}

// onCard says what the field is on a card of n sectors.
func (f *Field) onCard(n layout.Sector, l *Line) {
	a, err := f.At(n)
	if err != nil {
		l.State, l.Why = Undecided, err.Error()
		return
	}
	l.State, l.Why, l.Value = a.State, a.Why, fmt.Sprint(a.Value)
	for _, o := range a.Others {
		text := "it cannot be written"
		if o.Bytes != nil {
			text = fmt.Sprint(o.Value)
		}
		l.Alternatives = append(l.Alternatives, fmt.Sprintf("%s (%s)", text, o.Formula))
	}
}

func (c *Check) line() Line {
	w := c.Ways[0]
	l := Line{Place: c.Place, Class: Checksum, Width: c.Width, Rule: w.String(), Encoding: string(w.Encoding), Bits: c.Bits, State: c.State(), Why: c.why()}
	for _, w := range c.Ways[1:] {
		l.Alternatives = append(l.Alternatives, w.String())
	}
	return l
}

// why says what keeps a checksum from being proved.
func (c *Check) why() string {
	if c.Doubt == "" && c.Bits < Bar {
		return fmt.Sprintf("foretold %.0f bits beyond chance, %d are needed", c.Bits, Bar)
	}
	return c.Doubt
}

// String says which sum over which bytes.
func (w SumWay) String() string {
	s := fmt.Sprintf("%s over %d bytes from %s", w.Sum, w.Count, w.Start)
	if w.Order != image.Plain {
		s += ", " + w.Order.String()
	}
	return s
}

func (c *CopyRule) line(sectorSize int) Line {
	return Line{Place: c.first(), Class: Copy, Width: int(c.Count) * sectorSize, Rule: c.String(), State: Proved}
}

// first returns the first sector of the copy as it lies on the disk.
func (c *CopyRule) first() Place {
	if _, last := c.Pair(c.Count - 1); last.compare(c.To) < 0 {
		return last
	}
	return c.To
}

// String says what is repeated, and how.
func (c *CopyRule) String() string {
	s := "repeats " + c.Of.sectorText()
	if c.Count > 1 {
		s = fmt.Sprintf("repeats %d sectors from %s on", c.Count, c.Of.sectorText())
	}
	if c.Back {
		s += ", in reverse order"
	}
	if c.Order != image.Plain {
		s += ", " + c.Order.String()
	}
	own := 0
	for _, x := range c.Own {
		own += x.Count
	}
	if own > 0 {
		s += fmt.Sprintf(", with %d bytes of its own", own)
	}
	return s
}
