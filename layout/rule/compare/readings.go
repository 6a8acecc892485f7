package compare

import (
	"slices"

	"bootgraft/layout/rule/candidate"
)

// Reading is one way to understand a number.
type Reading struct {
	Byte     int
	Encoding candidate.Encoding
	Formula  string // as rule files keep it
	Text     string // for a person
}

// Readings lists every reading of a field that fits, the simplest first.
func (f *Field) Readings() (out []Reading) {
	for _, w := range f.Ways {
		for _, g := range w.Formulas {
			out = append(out, Reading{w.Byte, w.Encoding, g.String(), g.Text()})
		}
	}
	return out
}

// Different lists the readings whose formulas differ: a number can be read with
// more or fewer bytes around it, and mean the same.
func (f *Field) Different() (out []Reading) {
	for _, r := range f.Readings() {
		if !slices.ContainsFunc(out, func(o Reading) bool { return o.Formula == r.Formula }) {
			out = append(out, r)
		}
	}
	return out
}

// State tells whether the number is proved; all its readings may still have to agree on
// a card.
func (f *Field) State() State {
	if f.Bits < bar || f.Doubt != "" {
		return Undecided
	}
	return Proved
}

// Agreed tells whether there is one reading alone, on every card.
func (f *Field) Agreed() bool {
	return len(f.Different()) == 1 && f.Ways[0].Formulas[0].Min == f.Ways[0].Formulas[0].Max
}

// Known says how far a number is known, whatever the card, in the words of the objects
// for scripts.
func (f *Field) Known() string {
	switch {
	case f.State() == Undecided:
		return "undecided"
	case !f.Agreed():
		return "proved where its readings agree"
	}
	return "proved"
}
