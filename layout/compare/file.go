package compare

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/boot"
)

// Schema is the number of the form of rule file that this package writes and
// reads; Kind is what such a file calls itself.
const (
	Schema = 1
	Kind   = "boot area rules"
)

// The bounds of a rule file.
const (
	MaxFile  = 16 << 20 // bytes
	maxRules = 1 << 16  // of each kind
	maxCopy  = 1 << 20  // sectors of one copy, and of the boot areas
)

type fileJSON struct {
	Schema     int             `json:"schema"`
	Kind       string          `json:"kind"`
	SectorSize int             `json:"sector_size"`
	Sizes      []layout.Sector `json:"sizes"`
	Head       layout.Sector   `json:"head"`
	Tail       layout.Sector   `json:"tail"`
	Fields     []fieldJSON     `json:"fields"`
	Copies     []copyJSON      `json:"copies"`
	Checks     []checkJSON     `json:"checks"`
	Carried    []Stretch       `json:"carried"`
}

type fieldJSON struct {
	Place
	Class Class   `json:"class"`
	Width int     `json:"width"`
	Bits  float64 `json:"bits"`
	Value string  `json:"value"`
	Doubt string  `json:"doubt,omitempty"`
	Ways  []Way   `json:"ways"`
}

type copyJSON struct {
	Of    Place         `json:"of"`
	To    Place         `json:"to"`
	Count layout.Sector `json:"count"`
	Back  bool          `json:"back"`
	Order image.Order   `json:"order"`
	Own   []Stretch     `json:"own,omitempty"`
}

type checkJSON struct {
	Place
	Width int      `json:"width"`
	Bits  float64  `json:"bits"`
	Doubt string   `json:"doubt,omitempty"`
	Ways  []SumWay `json:"ways"`
}

// Encode writes the rules as a rule file.
func Encode(w io.Writer, r *Rules) error {
	if err := r.Check(); err != nil {
		return err
	}
	f := fileJSON{Schema: Schema, Kind: Kind, SectorSize: r.SectorSize, Sizes: r.Sizes, Head: r.Head, Tail: r.Tail, Carried: r.Carried}
	for _, x := range r.Fields {
		f.Fields = append(f.Fields, fieldJSON{x.Place, x.Class, x.Width, math.Round(x.Bits*10) / 10, x.Ways[0].Formulas[0].String(), x.Doubt, x.Ways})
	}
	for _, c := range r.Copies {
		f.Copies = append(f.Copies, copyJSON(c))
	}
	for _, c := range r.Checks {
		f.Checks = append(f.Checks, checkJSON{c.Place, c.Width, math.Round(c.Bits*10) / 10, c.Doubt, c.Ways})
	}
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(f)
}

// Decode reads a rule file. It accepts nothing that Encode does not write: an
// unknown name, another schema, or a rule that contradicts itself is an error.
func Decode(r io.Reader) (*Rules, error) {
	b, err := io.ReadAll(io.LimitReader(r, MaxFile+1))
	if err != nil {
		return nil, fmt.Errorf("reading the rule file: %w", err)
	}
	if len(b) > MaxFile {
		return nil, fmt.Errorf("the rule file is larger than %d bytes: it is none of ours", MaxFile)
	}
	f, err := decodeFile(b)
	if err != nil {
		return nil, err
	}
	out := &Rules{SectorSize: f.SectorSize, Sizes: f.Sizes, Head: f.Head, Tail: f.Tail, Carried: f.Carried}
	for _, x := range f.Fields {
		if len(x.Ways) == 0 || len(x.Ways[0].Formulas) == 0 || x.Ways[0].Formulas[0].Per <= 0 || x.Ways[0].Formulas[0].Of <= 0 {
			return nil, fmt.Errorf("rule file: the field at %s has no formula", x.Place)
		}
		if s := x.Ways[0].Formulas[0].String(); s != x.Value {
			return nil, fmt.Errorf("rule file: the field at %s says %q, but its numbers say %q", x.Place, x.Value, s)
		}
		out.Fields = append(out.Fields, Field{x.Place, x.Class, x.Width, x.Bits, x.Ways, x.Doubt})
	}
	for _, c := range f.Copies {
		out.Copies = append(out.Copies, CopyRule(c))
	}
	for _, c := range f.Checks {
		out.Checks = append(out.Checks, Check{c.Place, c.Width, c.Bits, c.Ways, c.Doubt})
	}
	return out, out.Check()
}

func decodeFile(b []byte) (*fileJSON, error) {
	var f fileJSON
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return nil, fmt.Errorf("rule file: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("rule file: something follows the object")
	}
	if f.Schema != Schema || f.Kind != Kind {
		return nil, fmt.Errorf("rule file: kind %q, schema %d; this program reads %q, schema %d", f.Kind, f.Schema, Kind, Schema)
	}
	return &f, nil
}

// Check tells what is wrong with the rules, if anything.
func (r *Rules) Check() error {
	if err := image.CheckSectorSize(r.SectorSize); err != nil {
		return fmt.Errorf("rules: %w", err)
	}
	if r.Head < 0 || r.Tail < 0 || r.Head > maxCopy || r.Tail > maxCopy {
		return fmt.Errorf("rules: areas of %d and %d sectors", r.Head, r.Tail)
	}
	if len(r.Fields) > maxRules || len(r.Copies) > maxRules || len(r.Checks) > maxRules || len(r.Carried) > maxCopy {
		return errors.New("rules: more than any original has")
	}
	for i := range r.Fields {
		if err := r.checkField(&r.Fields[i]); err != nil {
			return fmt.Errorf("rules: the field at %s: %w", r.Fields[i].Place, err)
		}
	}
	for i := range r.Copies {
		if err := r.checkCopy(&r.Copies[i]); err != nil {
			return fmt.Errorf("rules: the copy at %s: %w", r.Copies[i].To, err)
		}
	}
	for i := range r.Checks {
		if err := r.checkSum(&r.Checks[i]); err != nil {
			return fmt.Errorf("rules: the checksum at %s: %w", r.Checks[i].Place, err)
		}
	}
	for _, s := range r.Carried {
		if s.Count < 1 || !r.inside(s.Place) {
			return fmt.Errorf("rules: bytes carried at %s: outside the areas compared", s.Place)
		}
	}
	return nil
}

// inside tells whether a place lies in the areas compared.
func (r *Rules) inside(p Place) bool {
	if p.Byte < 0 || p.Byte >= r.SectorSize {
		return false
	}
	switch p.From {
	case layout.FromStart:
		return p.Sector >= 0 && p.Sector < r.Head
	case layout.FromEnd:
		return p.Sector >= 1 && p.Sector <= r.Tail
	}
	return false
}

func (r *Rules) checkField(f *Field) error {
	if !r.inside(f.Place) || f.Class != Size && f.Class != Address {
		return fmt.Errorf("class %q, outside the areas or no field", f.Class)
	}
	for i, w := range f.Ways {
		form, err := boot.FormOf(w.Encoding)
		if err != nil {
			return err
		}
		if w.Byte < 0 || w.Byte+form.Width > r.SectorSize || len(w.Formulas) == 0 || len(w.Formulas) > maxFormulas ||
			i == 0 && (w.Byte != f.Byte || form.Width != f.Width) {
			return errors.New("a reading that does not fit its place")
		}
		for _, g := range w.Formulas {
			if !g.valid() {
				return errors.New("a formula that cannot be computed")
			}
		}
	}
	if len(f.Ways) == 0 || len(f.Ways) > 1024 {
		return errors.New("no reading, or too many")
	}
	return nil
}

func knownOrder(o image.Order) bool {
	return o == image.Plain || o == image.Swap16 || o == image.Swap32
}

func (r *Rules) checkCopy(c *CopyRule) error {
	if c.Count < 1 || c.Count > maxCopy || !knownOrder(c.Order) {
		return errors.New("not a count, or not a byte order")
	}
	of, to := c.Pair(c.Count - 1)
	for _, p := range []Place{c.Of, c.To, of, to} {
		if !r.inside(p) || p.Byte != 0 {
			return errors.New("it leaves the areas compared")
		}
	}
	for _, s := range c.Own {
		if !r.inside(s.Place) || s.Count < 1 || s.Byte+s.Count > r.SectorSize {
			return errors.New("bytes of its own that are not in a sector")
		}
	}
	return nil
}

func (r *Rules) checkSum(c *Check) error {
	if !r.inside(c.Place) || len(c.Ways) == 0 || len(c.Ways) > 2*maxSumWays {
		return errors.New("outside the areas, no reading, or too many")
	}
	for i, w := range c.Ways {
		form, err := boot.FormOf(w.Encoding)
		if err != nil {
			return err
		}
		sum, err := boot.SumOf(w.Sum)
		if err != nil {
			return err
		}
		if sum.Width != form.Width || w.Byte < 0 || w.Byte+form.Width > r.SectorSize || !knownOrder(w.Order) ||
			i == 0 && (w.Byte != c.Byte || form.Width != c.Width) {
			return errors.New("a reading that does not fit its place")
		}
		if w.Count < 1 || w.Count > int64(r.SectorSize)*256 || !r.inside(w.Start) ||
			!r.inside(w.Start.sector().after(layout.Sector((int64(w.Start.Byte)+w.Count-1)/int64(r.SectorSize)))) {
			return errors.New("a span that leaves the areas compared")
		}
	}
	return nil
}
