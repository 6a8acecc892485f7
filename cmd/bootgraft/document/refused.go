package document

import (
	"bootgraft/image/disk"
)

// Refused says why there is no plan or kit, or what a SOURCE asks for first.
type Refused struct {
	Head
	Refused  bool        `json:"refused"`
	Smallest disk.Sector `json:"smallest_sectors,omitempty"`

	// Accepting is the smallest card with everything accepted that would be asked.
	Accepting disk.Sector `json:"smallest_accepted_sectors,omitempty"`

	Why  []Finding `json:"why"`
	Need []Finding `json:"accept"`
}

// NewRefused is an answer that says no, with what has to be accepted by its code.
func NewRefused(why, need []disk.Finding) *Refused {
	return &Refused{Head: New(KindRefused), Refused: true, Why: findings(why), Need: findings(need)}
}
