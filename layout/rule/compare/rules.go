package compare

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// bar is how many bits a rule must have predicted, beyond what the number of
// formulas and fields tried makes likely by chance, to be called proved.
const bar = 20

// Class says what a byte of the boot area is.
type Class string

// The classes.
const (
	Constant   Class = "constant"
	Size       Class = "follows the size"
	Address    Class = "address" // counted from the end
	Checksum   Class = "checksum"
	Copy       Class = "copy"        // of an earlier sector, byte for byte
	CopyNumber Class = "copy number" // what a copy has of its own
	Identity   Class = "identity"
	Volatile   Class = "volatile"
	Content    Class = "content"
	Unknown    Class = "unknown" // differs, and no rule was found
	NotRead    Class = "not read"

	// Unexplained differs as what follows the size does, and no rule was found.
	Unexplained Class = "unexplained"
)

// Rules are what several disks of one model have in common. All sectors and
// bytes are as the disks hold them. The slices are sorted by place.
type Rules struct {
	WrittenBy  string // the version of the program that found them; see disk.CheckWriter
	SectorSize int
	Sizes      []disk.Sector // of the disks compared, ascending
	Head, Tail disk.Sector   // the areas compared
	Counts     []Count       // the sizes that the device may count with, the likeliest first; none: the sectors
	Fields     []Field
	Copies     []CopyRule
	Checks     []Check
	Carried    []Stretch // bytes that differ and have no rule
}

// Stretch is a run of bytes of one class. Only a run of content may go on into
// the sectors after the one that it begins in.
type Stretch struct {
	candidate.Place
	Count int   `json:"count"` // bytes
	Class Class `json:"class"`
}

// Way is one reading of the bytes of a field: where, how written, which
// formulas.
type Way struct {
	Byte     int                `json:"byte"` // in the sector of the field
	Encoding candidate.Encoding `json:"encoding"`
	Formulas []Formula          `json:"formulas"`

	// Share is how usual it is that a device writes a number so, where the bytes beside it
	// are what they are on the originals. It orders tries, and proves nothing. 0: not said.
	Share float64 `json:"share,omitempty"`
}

// Field is a number that follows the size of the disk.
type Field struct {
	candidate.Place
	Class Class
	Width int     // bytes
	Bits  float64 // predicted, less log2 of formulas times fields tried
	Ways  []Way   // every reading that fits all disks; the first is the simplest
	Doubt string  // why no card is decided, whatever its size; empty if nothing

	// On is the place of another number, which the formulas take for N; nil: they
	// take the size.
	On *candidate.Place

	first *Way // of a field of which another reading was taken: that from which others follow
}

// Weak tells whether the field says no more than chance does: then a card keeps
// what the source has, and the field is worth a try.
func (f *Field) Weak() bool { return f.Bits <= chanceBits }

// chanceBits is what chance predicts. It is below zero, for the bits are counted as
// if every reading tried were another chance, and the forty of the same bytes are not:
// of 24 readings of invented models between -4 and 0 bits 22 were numbers, none of two
// below (measured once, and not more than these).
const chanceBits = -3

// SumWay is one reading of a checksum.
type SumWay struct {
	Sum      string             `json:"sum"` // name of a candidate.Sum
	Encoding candidate.Encoding `json:"encoding"`
	Byte     int                `json:"byte"`  // where the checksum lies, in its sector
	Start    candidate.Place    `json:"start"` // first byte of the span
	Count    int64              `json:"count"` // bytes; those of the checksum itself count as zeros
	Order    image.Order        `json:"order"` // byte order in which the span is read
}

// Check is a checksum over a span.
type Check struct {
	candidate.Place
	Width int      `json:"width"`
	Bits  float64  `json:"bits"`
	Doubt string   `json:"doubt,omitempty"`
	Ways  []SumWay `json:"ways"`
}

// ByChance says how often as much would come out right by chance, to one digit.
func ByChance(bits float64) string {
	const most = 1e9
	switch n := math.Exp2(math.Floor(bits)); {
	case n < 2:
		return "by chance in every second case, or more often"
	case n > most:
		return "by chance less than once in " + disk.Grouped(int64(most)) + " cases"
	default:
		digit := math.Pow(10, math.Floor(math.Log10(n)))
		return "by chance once in " + disk.Grouped(int64(math.Floor(n/digit)*digit)) + " cases"
	}
}

// tenths are the bits of a rule as files keep them: what is weak, or proved, is so after it
// was read back.
func tenths(bits float64) float64 { return math.Floor(bits*10) / 10 }

// tooLikely says what keeps a rule from being proved that may be chance.
func tooLikely(bits float64) string {
	return fmt.Sprintf("it would come out right %s; what is proved, %s", ByChance(bits), ByChance(bar))
}

// State tells whether the checksum is proved; all its readings may still
// have to agree on a card.
func (c *Check) State() State {
	if c.Doubt == "" && c.Bits >= bar {
		return Proved
	}
	return Undecided
}

// why says what keeps a checksum from being proved.
func (c *Check) why() string {
	if c.Doubt == "" && c.Bits < bar {
		return tooLikely(c.Bits)
	}
	return c.Doubt
}

// CopyRule says that sectors repeat earlier ones, but for some bytes.
type CopyRule struct {
	candidate.Repeat
	Own []Stretch `json:"own,omitempty"` // bytes that the copy has of its own, by their place in it
}

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

// chain yields a number and those that it follows from, nil where one of them is none.
func (r *Rules) chain(f *Field) iter.Seq[*Field] {
	return func(yield func(*Field) bool) {
		for range maxChain {
			if !yield(f) || f == nil || f.On == nil {
				return
			}
			f = r.Field(*f.On)
		}
		yield(nil) // it follows from itself, or from too many others
	}
}

// State tells whether a number, and what it follows from, is proved; all readings may still
// have to agree on a card.
func (r *Rules) State(f *Field) State {
	for g := range r.chain(f) {
		if g == nil || g.Bits < bar || g.Doubt != "" {
			return Undecided
		}
	}
	return Proved
}

// Agreed tells whether there is one reading alone, on every card, of the number and of what
// it follows from.
func (r *Rules) Agreed(f *Field) bool {
	for g := range r.chain(f) {
		if g == nil || len(g.Different()) > 1 || g.Ways[0].Formulas[0].Min != g.Ways[0].Formulas[0].Max {
			return false
		}
	}
	return true
}

// Known says how far a number is known, whatever the card, in the words of the objects
// for scripts.
func (r *Rules) Known(f *Field) string {
	switch {
	case r.State(f) == Undecided:
		return "undecided"
	case !r.Agreed(f):
		return "proved where its readings agree"
	}
	return "proved"
}
