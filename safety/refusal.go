package safety

import "fmt"

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
	TargetSize       = "target-size"       // not the size that the plan was made for
	NoFolder         = "no-folder"         // the folder of the target is missing
	NoRoom           = "no-room"           // the file system is too full
	FileTooLarge     = "file-too-large"    // the file system has no files of that size
	UnfinishedExists = "unfinished-exists" // a broken run left its file behind
	UnfinishedInUse  = "unfinished-in-use" // another run writes to it now
)

func (r *Refusal) Error() string {
	return fmt.Sprintf("refusing to use %s: %s; %s", r.Path, r.Why, r.Do)
}
