package compare

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// Schema is the number of the form of rule file that this package writes and
// reads; Kind is what such a file calls itself.
const (
	Schema = 1
	Kind   = "boot area rules"
)

// The bounds of a rule file. No comparison comes near them; what a file asks
// for beyond them would only take time.
const (
	MaxFile    = 16 << 20 // bytes
	maxArea    = 1 << 20  // sectors of each boot area
	maxFields  = 1 << 14
	maxWays    = 64      // of one field
	maxCopies  = 1 << 14 // copies, and sectors of all of them
	maxOwn     = 1 << 14 // stretches of one copy
	maxChecks  = 1 << 10
	maxSummed  = 1 << 30 // bytes under all checksums
	maxCarried = 1 << 18
)

type fileJSON struct {
	Schema     int           `json:"schema"`
	Kind       string        `json:"kind"`
	SectorSize int           `json:"sector_size"`
	Sizes      []disk.Sector `json:"sizes"`
	Head       disk.Sector   `json:"head"`
	Tail       disk.Sector   `json:"tail"`
	Fields     []fieldJSON   `json:"fields"`
	Copies     []copyJSON    `json:"copies"`
	Checks     []checkJSON   `json:"checks"`
	Carried    []Stretch     `json:"carried"`
}

type fieldJSON struct {
	candidate.Place
	Class Class   `json:"class"`
	Width int     `json:"width"`
	Bits  float64 `json:"bits"`
	Value string  `json:"value"`
	Doubt string  `json:"doubt,omitempty"`
	Ways  []Way   `json:"ways"`
}

type copyJSON struct {
	Of    candidate.Place `json:"of"`
	To    candidate.Place `json:"to"`
	Count disk.Sector     `json:"count"`
	Back  bool            `json:"back"`
	Order image.Order     `json:"order"`
	Own   []Stretch       `json:"own,omitempty"`
}

type checkJSON struct {
	candidate.Place
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
		f.Fields = append(f.Fields, fieldJSON{x.Place, x.Class, x.Width, math.Floor(x.Bits*10) / 10, x.Ways[0].Formulas[0].String(), x.Doubt, x.Ways})
	}
	for _, c := range r.Copies {
		f.Copies = append(f.Copies, copyJSON(c))
	}
	for _, c := range r.Checks {
		f.Checks = append(f.Checks, checkJSON{c.Place, c.Width, math.Floor(c.Bits*10) / 10, c.Doubt, c.Ways})
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
	if err := layout.NoKeyTwice(b); err != nil {
		return nil, fmt.Errorf("rule file: %w", err)
	}
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
