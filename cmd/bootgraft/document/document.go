// Package document holds every JSON object that the program answers with: its
// kind, the number of its form, and its keys.
//
//	domain value -> function of this package -> struct with json tags -> standard output
//
// Scripts rely on the keys. A key may be added under the same schema; one that
// goes, or changes its meaning or type, needs a new schema of its kind. The list
// of all keys is the golden file testdata/documents/keys.txt.
//
// The package computes nothing and reaches nothing: no file, no clock, no
// terminal. What is in no document is in no answer, whatever is added to the
// types of the domain.
package document

// Kind says which object it is.
type Kind string

// The kinds.
const (
	KindError     Kind = "error"
	KindVersion   Kind = "version"
	KindDemo      Kind = "demo"
	KindSurvey    Kind = "survey"
	KindDisks     Kind = "disks"
	KindCapture   Kind = "capture"
	KindRefused   Kind = "refused"
	KindPlan      Kind = "plan" // written by layout/plan, in its own form
	KindWrite     Kind = "write"
	KindRehearsal Kind = "rehearsal"
	KindUndo      Kind = "undo"
	KindVerify    Kind = "verify"
	KindArchive   Kind = "archive"
	KindCard      Kind = "card"
	KindCardTest  Kind = "card-test"
	KindFiles     Kind = "files"
	KindCompare   Kind = "compare"
	KindChanged   Kind = "changed"
	KindKitMake   Kind = "kit-make"
	KindKitShow   Kind = "kit-show"
	KindKitAsk    Kind = "kit-ask"
	KindFindings  Kind = "findings"
)

// Head opens every document.
type Head struct {
	Schema int  `json:"schema"`
	Kind   Kind `json:"kind"`
}

// Error says why the program does not end with 0.
type Error struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Failed is the document of a run that came to no other one.
type Failed struct{ Head }

// NewFailed is what stands where there is no other document; Marshal adds why.
func NewFailed() Failed { return Failed{Head{Schema: 1, Kind: KindError}} }

// Version is the answer of the verb version. A text is empty where the program
// was built without knowing it.
type Version struct {
	Head
	Program  string `json:"program"` // as in the files that it writes
	Version  string `json:"version"`
	Commit   string `json:"commit"`
	Date     string `json:"date"` // of the commit, RFC 3339
	Modified bool   `json:"modified"`
	Go       string `json:"go"`
}

// NewVersion says which version of the program it is.
func NewVersion(program, version, commit, date string, modified bool, goVersion string) Version {
	return Version{Head{Schema: 1, Kind: KindVersion}, program, version, commit, date, modified, goVersion}
}
