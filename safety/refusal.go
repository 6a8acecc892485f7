package safety

import (
	"fmt"
	"slices"
	"strings"
)

// Refusal says that nothing was written, and why. Code is stable from release
// to release; Why and Do are for people.
type Refusal struct {
	Code string // one of the codes below
	Path string // what was to be written or verified
	Why  string // what stands against it
	Do   string // what to do instead
}

// The codes of a Refusal.
const (
	TargetExists     = "target-exists"     // there is a file, and replacing it was not asked for
	TargetIsSource   = "target-is-source"  // it is a file that this job reads
	TargetInLoop     = "target-in-loop"    // a loop device uses it
	TargetInSwap     = "target-in-swap"    // the system swaps to it
	TargetWrongKind  = "target-wrong-kind" // a folder, a pipe, a device, a link
	TargetManyNames  = "target-many-names" // it has other names, which would keep the old bytes
	TargetChanged    = "target-changed"    // it was touched by somebody while the new one was written
	TargetUnderDev   = "target-under-dev"  // a new file among the device nodes
	TargetIsCapture  = "target-is-capture" // the image of an old drive is overwritten by nothing
	TargetIsRecord   = "target-is-record"  // nor is its record
	TargetIsReceipt  = "target-is-receipt" // nor a receipt
	TargetIsKit      = "target-is-kit"     // nor a kit
	TargetOtherKind  = "target-other-kind" // a file is replaced by its own kind only
	TargetSize       = "target-size"       // not the size that the plan was made for
	NoFolder         = "no-folder"         // the folder of the target is missing
	NoRoom           = "no-room"           // the file system is too full
	FileTooLarge     = "file-too-large"    // the file system has no files of that size
	UnfinishedExists = "unfinished-exists" // a broken run left its file behind
	UnfinishedInUse  = "unfinished-in-use" // another run writes to it now

	TargetHeld       = "target-held"           // somebody else holds the device, or there is no permission
	TargetNoMedium   = "target-no-medium"      // a reader without a card
	TargetPartition  = "target-is-partition"   // a whole disk is meant
	TargetReadOnly   = "target-read-only"      // the device cannot be written
	TargetSectorSize = "target-sector-size"    // not the sector size that the plan was made for
	TargetHoldsJob   = "target-holds-source"   // a file that this job reads or writes lies on it
	TargetIsOriginal = "target-is-original"    // it is the drive that the source was read from
	TargetSystem     = "target-is-system-disk" // the running system stands on it
	TargetMounted    = "target-mounted"        // a file system on it is mounted
	TargetLayered    = "target-in-layer"       // RAID, encryption or logical volumes use it
	TargetMember     = "target-in-volume"      // it is one of several devices of a mounted file system
	TargetInUse      = "target-in-use"         // a program has it open for writing
	TargetFixed      = "target-fixed"          // no card, and its serial number was not given
	TargetRights     = "target-rights"         // it can be opened, but not all that the work needs is allowed
	TargetUnstable   = "target-unstable"       // it answers differently from one time to the next
	TargetNoMark     = "target-no-mark"        // the plan leaves the sector that its mark needs
	TargetUnreadable = "target-unreadable"     // a part of it that must be known cannot be read
	ReceiptFolder    = "receipt-folder"        // no receipt can be written there
	NotPulled        = "card-not-pulled"       // the second half of a test, and the card had power all the time
	WrongWord        = "wrong-word"            // the confirmation word is for something else
	ReceiptExists    = "receipt-exists"        // a receipt is never overwritten
	ReceiptOther     = "receipt-other"         // it belongs to another plan or another card
	ReceiptInUse     = "receipt-in-use"        // another run works with it
	CardUnproved     = "card-unproved"         // the work of the receipt was done, and the card cannot be told from an equal one
	NotUndoable      = "not-undoable"          // what was replaced was not kept
)

// Refusals is every reason that speaks against the same thing.
type Refusals []*Refusal

func (r Refusals) Error() string {
	lines := make([]string, len(r))
	for i, one := range r {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find a *Refusal.
func (r Refusals) Unwrap() []error {
	out := make([]error, len(r))
	for i, one := range r {
		out[i] = one
	}
	return out
}

// Has tells whether one of the reasons has this code.
func (r Refusals) Has(code string) bool {
	return slices.ContainsFunc(r, func(one *Refusal) bool { return one.Code == code })
}

func (r *Refusal) Error() string {
	return fmt.Sprintf("refusing to use %s: %s; %s", r.Path, r.Why, r.Do)
}
