package document

// Findings is the answer of help findings, and of help CODE with one code.
type Findings struct {
	Head
	Findings []Meaning `json:"findings"`
}

// Meaning is what a code means, wherever it occurs.
type Meaning struct {
	Code       string `json:"code"`
	Severity   string `json:"severity"`   // the heaviest: note, warning or refusal
	Acceptable bool   `json:"acceptable"` // --accept goes on, where a command asks for it
	About      string `json:"about"`
	Means      string `json:"means"`
	Do         string `json:"do"`
}

// NewFindings begins the list.
func NewFindings() Findings {
	return Findings{Head: New(KindFindings), Findings: []Meaning{}}
}
