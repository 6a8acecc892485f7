package document

import (
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
)

// Verify says where a card is not as planned.
type Verify struct {
	Head
	Compared    disk.Sector            `json:"compared_sectors"`
	Left        disk.Sector            `json:"left_sectors"`
	Missing     disk.Sector            `json:"missing_sectors"`
	Unequal     disk.Sector            `json:"unequal_sectors"`
	ByOp        map[string]disk.Sector `json:"unequal_by_op"`
	ByWhy       map[string]disk.Sector `json:"unequal_by_why"`
	Differences []Difference           `json:"differences"`
	Notes       []string               `json:"notes"`
	Findings    []Finding              `json:"findings"`
	SHA256      string                 `json:"sha256,omitempty"`
}

// Difference is one sector that is not as planned.
type Difference struct {
	Sector disk.Sector   `json:"sector"`
	Piece  int           `json:"piece"` // index of the piece that owns the sector
	Op     layout.Op     `json:"op"`
	Why    layout.Reason `json:"why"`
	Offset int           `json:"offset"`         // first unequal byte, counted in the sector
	Want   string        `json:"want"`           // up to 16 bytes from there, in hex
	Have   string        `json:"have"`           // what the target holds instead
	Note   string        `json:"note,omitempty"` // what it looks like, if that can be told
}

// NewVerify is the answer of verify PLAN TARGET.
func NewVerify(c *safety.Comparison, opinions []second.Opinion) *Verify {
	return &Verify{
		Head: New(KindVerify), Compared: c.Compared, Left: c.Left, Missing: c.Missing, Unequal: c.Unequal,
		ByOp: named(c.ByOp), ByWhy: named(c.ByWhy), Notes: some(c.Notes), SHA256: c.SHA256,
		Differences: each(c.Differences, func(x safety.Difference) Difference { return Difference(x) }),
		Findings:    findings(second.Findings(opinions)),
	}
}

// named is a count by the name of what is counted.
func named[K interface {
	comparable
	String() string
}](counts map[K]disk.Sector) map[string]disk.Sector {
	out := map[string]disk.Sector{}
	for k, n := range counts {
		out[k.String()] = n
	}
	return out
}
