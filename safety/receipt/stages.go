package receipt

// Kind is what is to be done to a card.
type Kind string

// The things that are done to a card. Each needs a Permit of its own.
const (
	Write     Kind = "write"
	Undo      Kind = "undo"
	QuickTest Kind = "quick test"
	FullTest  Kind = "full test"
)

// Tests tells whether the work is a test, which even a faulty card may have.
func (k Kind) Tests() bool { return k == QuickTest || k == FullTest }

// Stage is a step of writing to a card.
type Stage string

// The stages, in order. What a receipt says last is where it stopped.
const (
	StageLook    Stage = "look"      // nothing was written yet
	StageKeep    Stage = "keep"      // old content goes into the receipt; nothing was written yet
	StageFence   Stage = "fence"     // both ends and the tables become blank
	StageMarked  Stage = "marked"    // sector 0 is blank and the mark is on the medium
	StageData    Stage = "data"      // everything that is no table
	StageBack    Stage = "read back" // and is compared
	StageSecond  Stage = "second copies"
	StageFirst   Stage = "first copies"
	StageEarly   Stage = "early sectors" // do they still hold what was written first
	StageSector0 Stage = "sector 0"
	StagePull    Stage = "pull" // the first half of a test is done, and its stamps are on the card
	StageDone    Stage = "done"
	StageUndo    Stage = "undo"
	StageUndone  Stage = "undone"
)
