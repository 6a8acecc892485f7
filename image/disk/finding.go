package disk

import (
	"encoding/json"
	"fmt"
	"strings"
)

// Severity ranks a Finding by what it asks of the reader.
type Severity string

// The severities, from the lightest.
const (
	Note    Severity = "note"    // worth knowing; nothing has to be done
	Warning Severity = "warning" // may stop the device from starting, or lose something
	Refusal Severity = "refusal" // nothing goes on until it is accepted by its code
)

// NoSector stands in a Finding that is about no single sector.
const NoSector Sector = -1

// Code names a kind of Finding, or a reason against writing. It is stable from
// release to release, and what --accept takes. The register lists all of them.
type Code string

// Finding is one thing noticed about a disk, a plan or a card. Text is for
// people; nothing steers by it, nor by the Code.
type Finding struct {
	Code     Code
	Severity Severity
	Sector   Sector // first sector it is about, or NoSector
	Text     string
	Accepted bool // a Refusal that its owner has accepted by code
	Hides    bool // there may be files that it kept from being listed; in no JSON form
}

type findingJSON struct {
	Code     Code     `json:"code"`
	Severity Severity `json:"severity"`
	Sector   *Sector  `json:"sector"`
	Text     string   `json:"text"`
	Accepted bool     `json:"accepted,omitempty"`
}

// MarshalJSON writes sector as null if the finding is about no single sector.
func (f Finding) MarshalJSON() ([]byte, error) {
	j := findingJSON{Code: f.Code, Severity: f.Severity, Text: f.Text, Accepted: f.Accepted}
	if f.Sector != NoSector {
		j.Sector = &f.Sector
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (f *Finding) UnmarshalJSON(b []byte) error {
	var j findingJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*f = Finding{Code: j.Code, Severity: j.Severity, Sector: NoSector, Text: j.Text, Accepted: j.Accepted}
	if j.Sector != nil {
		f.Sector = *j.Sector
	}
	return nil
}

// Lines returns findings as the text of an error: a line each, with its code.
func Lines(all []Finding) string {
	lines := make([]string, len(all))
	for i, f := range all {
		lines[i] = string(f.Code) + ": " + f.Text
	}
	return strings.Join(lines, "\n")
}

// Notef makes a finding of severity Note; at may be NoSector.
func Notef(code Code, at Sector, format string, args ...any) Finding {
	return Finding{Code: code, Severity: Note, Sector: at, Text: fmt.Sprintf(format, args...)}
}

// Hiding returns the finding as one that may keep files from being listed.
func (f Finding) Hiding() Finding { f.Hides = true; return f }

// Warningf makes a finding of severity Warning.
func Warningf(code Code, at Sector, format string, args ...any) Finding {
	return Finding{Code: code, Severity: Warning, Sector: at, Text: fmt.Sprintf(format, args...)}
}

// Refusalf makes a finding of severity Refusal.
func Refusalf(code Code, at Sector, format string, args ...any) Finding {
	return Finding{Code: code, Severity: Refusal, Sector: at, Text: fmt.Sprintf(format, args...)}
}
