package safety

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/receipt"
)

// Device is a card that can be written: a *blockdev.Target.
type Device interface {
	image.Source // reads the medium, past every cache of the system
	io.WriterAt  // whole sectors only

	Look(files []blockdev.File) (blockdev.Facts, error)
	Describe() (blockdev.Facts, error) // what it is, and not who uses it
	Flush() error                      // all that was written is on the medium
	Forget() error                     // nothing that any cache of the system holds of it is read again
	Same() error                       // it still is what was opened
}

// Request is what is to be done to a card, all of it: a Permit is for this and
// nothing else.
type Request struct {
	Kind    receipt.Kind
	Digest  string    // of the plan, or of the receipt to undo; empty for tests
	Disk    plan.Size // what the card must be
	Program string    // the version of the program, for the receipt
	Files   []blockdev.File
	Fixed   string // the serial number of a disk that is no card, from its owner

	Card   image.Source // the planned card; nil for tests
	Pieces []layout.Piece

	Original image.Identity // of the drive that the source was read from, if known
	Source   image.Source   // the original, to tell it from its copy; may be nil
	Tables   disk.Spans     // where the tables of what the card holds now lie
	Looked   *Looked        // the look by which its owner judges the card; nil for both ends alone
	AsRoot   string         // what to type where rights are missing

	Receipt string      // where the receipt is written, or is continued
	Earlier []string    // receipts by which a card that was written here is known
	Try     int         // how many times this card was written with this one; 0 if nobody counts
	Pull    bool        // a quick test in two halves, with the card pulled between them
	KeepAll bool        // everything that is replaced is kept in the receipt
	Command string      // how to plan for another card, for a refusal by size
	Anew    string      // how to write this card with a receipt of its own, for a card that is another
	Accept  []disk.Code // codes of refusals that the owner of the card takes on: disk.CardUnproved

	Progress func(stage receipt.Stage, done, total int64)

	every int64 // bytes of data between two progress lines in the receipt; 0 for progressEvery
	anew  bool  // there is a receipt of a card that was never touched: it is made again
}

// Stopped is the error of work on a card that did not come to its end.
type Stopped struct {
	Stage   receipt.Stage
	Touched bool // something was written
	Fenced  bool // sector 0 is blank: the card is plainly no disk

	Restored bool // what a quick test replaced was put back and read back
	Err      error
}

func (e *Stopped) Error() string {
	switch {
	case !e.Touched:
		return "nothing was written to the card: " + e.Err.Error()
	case e.Restored:
		return "stopped at: " + string(e.Stage) + "; what the test had replaced was put back: " + e.Err.Error()
	case e.Fenced:
		return "stopped at: " + string(e.Stage) + "; the card is fenced, no system takes it for a disk: " + e.Err.Error()
	}
	return "stopped at: " + string(e.Stage) + "; what the card holds is not known: " + e.Err.Error()
}

// Unwrap returns what went wrong.
func (e *Stopped) Unwrap() error { return e.Err }

// Gone tells whether the card was pulled, or swapped.
func (e *Stopped) Gone() bool {
	var r *image.ReadError
	return errors.As(e.Err, &r) && r.Fault == image.Gone
}

// DifferentError says that the card gives back other bytes than were written.
type DifferentError struct {
	Stage       receipt.Stage
	Unequal     disk.Sector
	Differences []Difference // the first ones
	Bad         disk.Spans   // of these, sectors that were written again since they differed before
}

func (e *DifferentError) Error() string {
	text := "the card does not give back what was written: " + disk.Counted(e.Unequal, "sector") + " differ"
	if e.Unequal == 1 {
		text += "s"
	}
	if len(e.Differences) > 0 {
		text += ", the first is sector " + decimal(e.Differences[0].Sector)
	}
	if len(e.Bad) > 0 {
		return text + "; " + badText(e.Bad)
	}
	return text + "; the same command writes again from there. If it fails there again the card is faulty, or smaller " +
		"than it says"
}

// BadError says that sectors cannot be read again after they were written a
// second time.
type BadError struct {
	Bad disk.Spans
	Err error
}

func (e *BadError) Error() string { return e.Err.Error() + "; " + badText(e.Bad) }

// Unwrap returns what went wrong.
func (e *BadError) Unwrap() error { return e.Err }

// badText names sectors that failed again after they were written again.
func badText(bad disk.Spans) string {
	const most = 8
	var names []string
	for _, s := range bad {
		for at := s.Start; at < s.End() && len(names) < most; at++ {
			names = append(names, decimal(at))
		}
	}
	text := "bad, for it failed again after it was written again: sector " + strings.Join(names, ", ")
	if n := bad.Sectors() - most; n > 0 {
		text += fmt.Sprintf(" and %d more", n)
	}
	return text + "; this card is faulty, or smaller than it says: use another one"
}

// NotNotedError says that the card is right, and that its receipt does not say
// so: its last line could not be written.
type NotNotedError struct {
	Receipt string
	Err     error
}

func (e *NotNotedError) Error() string {
	return fmt.Sprintf("the card is right, written and read back, but the last line of its receipt %s could not "+
		"be written: %v", e.Receipt, e.Err)
}

// Unwrap returns what went wrong.
func (e *NotNotedError) Unwrap() error { return e.Err }
