package receipt

// Proof is by what the card of a receipt is known.
type Proof int

// The proofs.
const (
	Untouched Proof = iota // nothing was written to it
	ByKept                 // no mark needs to be there yet, or any more: the fence holds what was kept
	ByMark                 // the mark is there until the last stage begins
	ByPlan                 // the mark may be replaced: the tables are as planned
	Proofs
)

func (p Proof) String() string { return [...]string{"untouched", "kept", "mark", "plan"}[p] }
