package compare

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// Schema is the number of the newest form of rule file; Kind is what such a file
// calls itself. Form 1, which is read too, said neither which version of the
// program wrote it nor whether it is still as it was written; form 2 did not say
// how usual each reading of a number is.
const (
	Schema = 3
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
	WrittenBy  string        `json:"written_by,omitempty"`
	SectorSize int           `json:"sector_size"`
	Sizes      []disk.Sector `json:"sizes"`
	Head       disk.Sector   `json:"head"`
	Tail       disk.Sector   `json:"tail"`
	Counts     []Count       `json:"counts,omitempty"`
	Fields     []fieldJSON   `json:"fields"`
	Copies     []CopyRule    `json:"copies"`
	Checks     []Check       `json:"checks"`
	Carried    []Stretch     `json:"carried"`
	Digest     string        `json:"digest,omitempty"` // see (*fileJSON).digest
}

type fieldJSON struct {
	candidate.Place
	Class Class   `json:"class"`
	Width int     `json:"width"`
	Bits  float64 `json:"bits"`
	Value string  `json:"value"`
	Doubt string  `json:"doubt,omitempty"`
	Ways  []Way   `json:"ways"`

	On *candidate.Place `json:"on,omitempty"`
}

// Encode writes the rules as a rule file.
func Encode(w io.Writer, r *Rules) error {
	err := r.Check()
	if err != nil {
		return err
	}
	f := fileJSON{Schema: Schema, Kind: Kind, SectorSize: r.SectorSize, Sizes: r.Sizes, Head: r.Head, Tail: r.Tail,
		Counts: r.Counts, Copies: r.Copies, Checks: r.Checks, Carried: r.Carried}
	for _, x := range r.Fields {
		f.Fields = append(f.Fields, fieldJSON{x.Place, x.Class, x.Width, x.Bits, x.Ways[0].Formulas[0].String(), x.Doubt,
			x.Ways, x.On})
	}
	if f.WrittenBy = r.WrittenBy; f.WrittenBy == "" {
		f.Schema = 1
	} else if f.Digest, err = f.digest(); err != nil {
		return err
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
	out := &Rules{WrittenBy: f.WrittenBy, SectorSize: f.SectorSize, Sizes: f.Sizes, Head: f.Head, Tail: f.Tail,
		Counts: f.Counts, Copies: f.Copies, Checks: f.Checks, Carried: f.Carried}
	for _, x := range f.Fields {
		if len(x.Ways) == 0 || len(x.Ways[0].Formulas) == 0 || x.Ways[0].Formulas[0].Per <= 0 ||
			x.Ways[0].Formulas[0].Of <= 0 {
			return nil, fmt.Errorf("rule file: the field at %s has no formula", x.Place)
		}
		if s := x.Ways[0].Formulas[0].String(); s != x.Value {
			return nil, fmt.Errorf("rule file: the field at %s says %q, but its numbers say %q", x.Place, x.Value, s)
		}
		out.Fields = append(out.Fields, Field{x.Place, x.Class, x.Width, x.Bits, x.Ways, x.Doubt, x.On, nil})
	}
	if err := out.Check(); err != nil {
		return nil, err
	}
	out.doubtAlone() // files were written that do not say it
	return out, nil
}

func decodeFile(b []byte) (*fileJSON, error) {
	var head struct{ Schema int64 }
	if err := json.Unmarshal(b, &head); err == nil && head.Schema > Schema {
		return nil, &disk.NewerFormError{What: "rule file", Form: head.Schema, Most: Schema}
	}
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
	if f.Schema < 1 || f.Kind != Kind {
		return nil, fmt.Errorf("rule file: kind %q, schema %d; this program reads %q, schema %d", f.Kind, f.Schema, Kind,
			Schema)
	}
	return &f, f.checkDigest()
}

// digest returns the check number of the file: SHA-256 (FIPS 180-4), in
// lower-case hex, over the object without it, as Go's encoding/json writes it
// with no white space.
func (f fileJSON) digest() (string, error) {
	f.Digest = ""
	b, err := json.Marshal(f)
	if err != nil {
		return "", fmt.Errorf("rule file: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// checkDigest tells a rule file that was changed after it was written. Form 1
// has nothing to tell it by.
func (f *fileJSON) checkDigest() error {
	switch {
	case f.Schema == 1 && f.WrittenBy == "" && f.Digest == "":
		return nil
	case f.Schema == 1 || f.WrittenBy == "":
		return fmt.Errorf("rule file: it is of form %d, and says that it was written by %q", f.Schema, f.WrittenBy)
	}
	sum, err := f.digest()
	if err == nil && sum != f.Digest {
		err = fmt.Errorf("rule file: its check number is %.64q and should be %s: it was changed after it was written",
			f.Digest, sum)
	}
	return err
}
