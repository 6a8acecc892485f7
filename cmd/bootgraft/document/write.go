package document

import (
	"bootgraft/image/disk"
	"bootgraft/image/disk/register"
	"bootgraft/safety"
)

// Written says what was written, by write or by undo.
type Written struct {
	Head
	Target  string  `json:"target"`
	Written int64   `json:"written_sectors"`
	Left    int64   `json:"left_sectors"`
	Missing int64   `json:"missing_sectors"`
	SHA256  string  `json:"sha256,omitempty"`
	Receipt *string `json:"receipt"` // null for an image file
	Confirm *string `json:"confirm"`
}

// NewImageWritten is the answer of write to an image file.
func NewImageWritten(target string, r safety.Result) *Written {
	return &Written{New(KindWrite), target, int64(r.Written), int64(r.Left), int64(r.Missing), r.SHA256, nil, nil}
}

// NewCardWritten is the answer of work on a card: KindWrite or KindUndo.
func NewCardWritten(kind Kind, target string, r safety.DeviceResult) *Written {
	return &Written{New(kind), target, int64(r.Written), int64(r.Left), int64(r.Missing), "", &r.Receipt, nil}
}

// Rehearsal says what work on a card would do, or why it is refused.
type Rehearsal struct {
	Head
	Rehearsal bool        `json:"rehearsal"`
	Target    string      `json:"target"`
	Written   disk.Sector `json:"written_sectors"`
	ToWrite   disk.Sector `json:"to_write_sectors"` // with the word; 0 for a test
	Receipt   string      `json:"receipt"`
	Confirm   *string     `json:"confirm"`
	OnCard    []string    `json:"on_card"`
	Files     int         `json:"files_on_card"`
	Refusals  []Refusal   `json:"refusals"`

	// Starts says of a planned card whether anything stops it from starting.
	Starts *StartsAnswer `json:"starts,omitempty"`

	// Accept is those of Refusals that --accept goes on with.
	Accept []Acceptable `json:"accept"`
}

// Refusal is a reason against the work.
type Refusal struct {
	Code disk.Code `json:"code"`
	Why  string    `json:"why"`
	Do   string    `json:"do"`
}

// Acceptable is a reason that --accept goes on with.
type Acceptable struct {
	Code disk.Code `json:"code"`
	Text string    `json:"text"`
}

// NewRehearsal begins the answer.
func NewRehearsal(target, receipt string, onCard []string, files int, toWrite disk.Sector) *Rehearsal {
	return &Rehearsal{Head: New(KindRehearsal), Rehearsal: true, Target: target, Receipt: receipt, ToWrite: toWrite,
		OnCard: some(onCard), Files: files, Refusals: []Refusal{}, Accept: []Acceptable{}}
}

// Refuse makes it an answer that says no.
func (d *Rehearsal) Refuse(all safety.Refusals) {
	for _, r := range all {
		d.Refusals = append(d.Refusals, Refusal{r.Code, r.Why, r.Do})
		if register.Acceptable(r.Code) {
			d.Accept = append(d.Accept, Acceptable{r.Code, r.Why})
		}
	}
}
