package compare

import (
	"fmt"
	"math"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Bar is how many bits a rule must have foretold, beyond what the number of
// formulas and fields tried makes likely by chance, to be called proved.
const Bar = 20

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
)

// Rules are what several disks of one model have in common. All sectors and
// bytes are as the disks hold them. The slices are sorted by place.
type Rules struct {
	SectorSize int
	Sizes      []disk.Sector // of the disks compared, ascending
	Head, Tail disk.Sector   // the areas compared
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
}

// Field is a number that follows the size of the disk.
type Field struct {
	candidate.Place
	Class Class
	Width int     // bytes
	Bits  float64 // foretold, less log2 of formulas times fields tried
	Ways  []Way   // every reading that fits all disks; the first is the simplest
	Doubt string  // why no card is decided, whatever its size; empty if nothing
}

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
	Width int
	Bits  float64
	Ways  []SumWay
	Doubt string
}

// State tells whether the checksum is proved; all its readings may still
// have to agree on a card.
func (c *Check) State() State {
	if c.Doubt == "" && c.Bits >= Bar {
		return Proved
	}
	return Undecided
}

// why says what keeps a checksum from being proved.
func (c *Check) why() string {
	if c.Doubt == "" && c.Bits < Bar {
		return fmt.Sprintf("foretold %.0f bits beyond chance, %d are needed", math.Floor(c.Bits), Bar)
	}
	return c.Doubt
}

// CopyRule says that sectors repeat earlier ones, but for some bytes.
type CopyRule struct {
	Of    candidate.Place // first sector of what is repeated
	To    candidate.Place // where that sector is repeated
	Count disk.Sector     // sectors
	Back  bool            // the repeated sectors lie in reverse order
	Order image.Order     // byte order of the copy, seen from the original
	Own   []Stretch       // bytes that the copy has of its own: from, sector and byte are those of the copy
}

// Pair returns the i-th sector of the rule: original and copy.
func (c *CopyRule) Pair(i disk.Sector) (of, to candidate.Place) {
	of, to = c.Of.After(i), c.To.After(i)
	if c.Back {
		to = c.To.After(-i)
	}
	return of, to
}

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
}

// Other is another reading, and what it would put on the card.
type Other struct {
	Formula string
	Value   uint64
	Byte    int    // in the sector of the field: where Bytes lie
	Bytes   []byte // nil if the value cannot be written
}

// At returns what the field holds on a card of n sectors. A value that has
// outgrown the bytes that were seen to change is written in a longer reading of
// them, undecided; an error means that there is none, or that the value is
// below zero.
func (f *Field) At(n disk.Sector) (Answer, error) {
	var first error
	for i, w := range f.Ways {
		g := w.Formulas[0]
		v, ok := g.one(int64(n), g.simplest())
		if !ok || v < 0 {
			return Answer{}, fmt.Errorf("%s: %s is below zero, or beyond all sense, for %d sectors", f.Place, g, n)
		}
		b, err := encode(w.Encoding, uint64(v))
		if err != nil {
			if first == nil {
				first = err
			}
			continue
		}
		a := Answer{State: Proved, Value: uint64(v), Byte: w.Byte, Width: len(b), Bytes: b, Why: f.Doubt}
		f.rivals(n, &a)
		f.judge(i, &a)
		return a, nil
	}
	return Answer{}, fmt.Errorf("%s: %w", f.Place, first)
}

// judge settles the state of an answer by the i-th reading.
func (f *Field) judge(i int, a *Answer) {
	switch {
	case a.Why != "":
	case f.Bits < Bar:
		a.Why = fmt.Sprintf("foretold %.0f bits beyond chance, %d are needed", math.Floor(f.Bits), Bar)
	case i > 0:
		a.Why = fmt.Sprintf("%d does not fit the %d bytes that were seen to change; it is written as %s", a.Value, f.Width, f.Ways[i].Encoding)
	case len(a.Others) > 0:
		a.Why = fmt.Sprintf("%d readings fit all disks and differ for this size", len(a.Others)+1)
	}
	if a.Why != "" {
		a.State = Undecided
	}
}

// rivals adds every reading whose bytes differ from those of the first.
func (f *Field) rivals(n disk.Sector, a *Answer) {
	for _, w := range f.Ways {
		for _, g := range w.Formulas {
			for _, add := range []int64{g.Min, g.Max} {
				h := g
				h.Min, h.Max = add, add
				v, ok := g.one(int64(n), add)
				if !ok || v < 0 {
					a.Others = append(a.Others, Other{Formula: h.String()})
					continue
				}
				b, err := encode(w.Encoding, uint64(v))
				if err == nil && agree(a.Byte, a.Bytes, w.Byte, b) {
					continue
				}
				o := Other{Formula: h.String(), Value: uint64(v), Byte: w.Byte, Bytes: b}
				same := func(p Other) bool { return p.Value == o.Value && string(p.Bytes) == string(o.Bytes) }
				if !slices.ContainsFunc(a.Others, same) {
					a.Others = append(a.Others, o)
				}
			}
		}
	}
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
	Proved, Undecided int
	Open              []candidate.Place // of the undecided rules
}

// For returns the verdict for a card of n sectors.
func (r *Rules) For(n disk.Sector) Verdict {
	var v Verdict
	count := func(p candidate.Place, proved bool) {
		if proved {
			v.Proved++
			return
		}
		v.Undecided++
		v.Open = append(v.Open, p)
	}
	for i := range r.Fields {
		a, err := r.Fields[i].At(n)
		count(r.Fields[i].Place, err == nil && a.State == Proved)
	}
	for i := range r.Checks {
		count(r.Checks[i].Place, r.Checks[i].State() == Proved)
	}
	return v
}
