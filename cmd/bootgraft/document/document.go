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

import "bootgraft/cmd/bootgraft/build"

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
	KindOffer     Kind = "offer"
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
	KindServe     Kind = "serve"
	KindStarts    Kind = "starts"
	KindFindings  Kind = "findings"
	KindTopic     Kind = "topic"
	KindNote      Kind = "note"
	KindSound     Kind = "sound"

	KindArchiveMade  Kind = "archive-made"
	KindArchiveCheck Kind = "archive-check"
)

// Schemas are the kinds with the number of the form that each has now.
var Schemas = map[Kind]int{
	KindError: 1, KindVersion: 1, KindDemo: 1, KindSurvey: 1, KindDisks: 1, KindCapture: 1, KindRefused: 1,
	KindOffer: 1, KindTopic: 1, KindNote: 1, KindArchiveMade: 1, KindArchiveCheck: 1,
	KindPlan:  2,
	KindWrite: 1, KindRehearsal: 1, KindUndo: 1, KindVerify: 1, KindArchive: 1,
	// Form 1 had device or file in kind, where the kind of the object belongs.
	KindCard:     2,
	KindCardTest: 1, KindFiles: 1, KindCompare: 1, KindChanged: 1, KindKitMake: 1, KindKitShow: 1, KindKitAsk: 1,
	KindServe: 1, KindStarts: 1, KindFindings: 1, KindSound: 1,
}

// Head opens every document. Error is there where the program ends neither with
// 0 nor with 2, which is known only when all else was said.
type Head struct {
	Schema int    `json:"schema"`
	Kind   Kind   `json:"kind"`
	Error  *Error `json:"error,omitempty"`
}

// New is the head of a document of a kind.
func New(kind Kind) Head { return Head{Schema: Schemas[kind], Kind: kind} }

// Error says why the program does not end with 0.
type Error struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Failed is the document of a run that came to no other one.
type Failed struct{ Head }

// NewFailed is what stands where there is no other document; Marshal adds why.
func NewFailed() *Failed { return &Failed{New(KindError)} }

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
func NewVersion(b build.Build) *Version {
	return &Version{New(KindVersion), b.Program(), b.Version, b.Commit, b.Date, b.Modified, b.Go}
}
