package safety

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/image/disk"
)

// Refusal says that nothing was written, and why. Code is stable from release
// to release; Why and Do are for people.
type Refusal struct {
	Code disk.Code // one of the codes below
	Path string    // what was to be written or verified
	Why  string    // what stands against it
	Do   string    // what to do instead
}

// The codes of a Refusal.
const (
	TargetExists     disk.Code = "target-exists"     // there is a file, and replacing it was not asked for
	TargetIsSource   disk.Code = "target-is-source"  // it is a file that this job reads
	TargetInLoop     disk.Code = "target-in-loop"    // a loop device uses it
	TargetInSwap     disk.Code = "target-in-swap"    // the system swaps to it
	TargetWrongKind  disk.Code = "target-wrong-kind" // a folder, a pipe, a device, a link
	TargetManyNames  disk.Code = "target-many-names" // it has other names, which would keep the old bytes
	TargetChanged    disk.Code = "target-changed"    // it was touched by somebody while the new one was written
	TargetUnderDev   disk.Code = "target-under-dev"  // a new file among the device nodes
	TargetIsCapture  disk.Code = "target-is-capture" // the image of an old drive is overwritten by nothing
	TargetIsRecord   disk.Code = "target-is-record"  // nor is its record
	TargetIsReceipt  disk.Code = "target-is-receipt" // nor a receipt
	TargetIsKit      disk.Code = "target-is-kit"     // nor a kit
	TargetOtherKind  disk.Code = "target-other-kind" // a file is replaced by its own kind only
	TargetSize       disk.Code = "target-size"       // not the size that the plan was made for
	NoFolder         disk.Code = "no-folder"         // the folder of the target is missing
	NoRoom           disk.Code = "no-room"           // the file system is too full
	FileTooLarge     disk.Code = "file-too-large"    // the file system has no files of that size
	UnfinishedExists disk.Code = "unfinished-exists" // a broken run left its file behind
	UnfinishedInUse  disk.Code = "unfinished-in-use" // another run writes to it now

	TargetHeld       disk.Code = "target-held"           // somebody else holds the device, or there is no permission
	TargetNoMedium   disk.Code = "target-no-medium"      // a reader without a card
	TargetPartition  disk.Code = "target-is-partition"   // a whole disk is meant
	TargetReadOnly   disk.Code = "target-read-only"      // the device cannot be written
	TargetSectorSize disk.Code = "target-sector-size"    // not the sector size that the plan was made for
	TargetHoldsJob   disk.Code = "target-holds-source"   // a file that this job reads or writes lies on it
	TargetIsOriginal disk.Code = "target-is-original"    // it is the drive that the source was read from
	TargetSystem     disk.Code = "target-is-system-disk" // the running system stands on it
	TargetMounted    disk.Code = "target-mounted"        // a file system on it is mounted
	TargetLayered    disk.Code = "target-in-layer"       // RAID, encryption or logical volumes use it
	TargetMember     disk.Code = "target-in-volume"      // it is one of several devices of a mounted file system
	TargetInUse      disk.Code = "target-in-use"         // a program has it open for writing
	TargetFixed      disk.Code = "target-fixed"          // no card, and its serial number was not given
	TargetRights     disk.Code = "target-rights"         // it can be opened, but not all that the work needs is allowed
	TargetUnstable   disk.Code = "target-unstable"       // it answers differently from one time to the next
	ReceiptFolder    disk.Code = "receipt-folder"        // no receipt can be written there
	NotPulled        disk.Code = "card-not-pulled"       // the second half of a test, and the card had power all the time
	WrongWord        disk.Code = "wrong-word"            // the confirmation word is for something else
	ReceiptExists    disk.Code = "receipt-exists"        // a receipt is never overwritten
	ReceiptOther     disk.Code = "receipt-other"         // it belongs to another plan or another card
	ReceiptInUse     disk.Code = "receipt-in-use"        // another run works with it
	CardUnproved     disk.Code = "card-unproved"         // the work of the receipt was done, and the card cannot be told from an equal one
	NotUndoable      disk.Code = "not-undoable"          // what was replaced was not kept
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
func (r Refusals) Has(code disk.Code) bool {
	return slices.ContainsFunc(r, func(one *Refusal) bool { return one.Code == code })
}

func (r *Refusal) Error() string {
	return fmt.Sprintf("refusing to use %s: %s; %s", r.Path, r.Why, r.Do)
}
