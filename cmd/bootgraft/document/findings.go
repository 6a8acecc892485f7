package document

import "bootgraft/image/disk/register"

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

// Topic is a page of help that is about no one command.
type Topic struct {
	Head
	Topic string `json:"topic"`
	Title string `json:"title"`
	Text  string `json:"text"`
}

// NewTopic is the answer of help TOPIC.
func NewTopic(name, title, text string) *Topic { return &Topic{New(KindTopic), name, title, text} }

// NewFindings is the answer, of the groups of the register or of a part of them.
func NewFindings(groups []register.Group) *Findings {
	out := &Findings{Head: New(KindFindings), Findings: []Meaning{}}
	for _, g := range groups {
		for _, e := range g.Entries {
			out.Findings = append(out.Findings, Meaning{string(e.Code), string(e.Severity), e.Acceptable, g.Title, e.Means,
				e.Do})
		}
	}
	return out
}
