package document

import (
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Size is how large a disk is.
type Size struct {
	Sectors    disk.Sector `json:"sectors"`
	SectorSize int         `json:"sector_size"`
}

// Finding is one thing noticed.
type Finding struct {
	Code     disk.Code     `json:"code"`
	Severity disk.Severity `json:"severity"`
	Sector   *disk.Sector  `json:"sector"` // null where it is about no single sector
	Text     string        `json:"text"`
	Accepted bool          `json:"accepted,omitempty"`
}

func findings(all []disk.Finding) []Finding {
	return each(all, func(f disk.Finding) Finding {
		out := Finding{Code: f.Code, Severity: f.Severity, Text: f.Text, Accepted: f.Accepted}
		if f.Sector != disk.NoSector {
			out.Sector = &f.Sector
		}
		return out
	})
}

// Field is a number in a boot area that may depend on the size of the disk.
type Field struct {
	Sector   disk.Sector `json:"sector"`
	Offset   int         `json:"offset"`
	Width    int         `json:"width"` // bytes
	Encoding string      `json:"encoding"`
	Value    uint64      `json:"value"`
	Meaning  string      `json:"meaning"`
	ByChance float64     `json:"expected_by_chance"`
}

func field(f layout.Field) Field {
	return Field{f.Sector, f.Offset, f.Width, f.Encoding, f.Value, f.Meaning, f.ByChance}
}

// each makes a list of documents, which is never null. A type of the domain whose
// fields are those of its document is converted, so that a field that is added to
// it is no key until somebody says so here.
func each[T, U any](list []T, document func(T) U) []U {
	out := make([]U, len(list))
	for i, x := range list {
		out[i] = document(x)
	}
	return out
}

// some is a list that is never null.
func some[T any](list []T) []T { return append([]T{}, list...) }
