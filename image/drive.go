package image

import (
	"errors"
	"fmt"

	"bootgraft/image/disk"
)

// Fault tells in which way a drive failed to give what was asked. The kinds
// are told apart because what to do next differs.
type Fault string

// The ways in which a read fails.
const (
	BadSector Fault = "bad"     // the drive answered: this cannot be read
	TimedOut  Fault = "timeout" // no answer in time, by the word of the system
	ShortRead Fault = "short"   // fewer bytes than asked for, and no error
	Gone      Fault = "gone"    // the drive is no longer there
	Hung      Fault = "hang"    // a read that never returned
	Changed   Fault = "changed" // something answers, and it is not the drive that was opened
	Other     Fault = "other"   // anything else; the text says what
)

// Valid tells whether f is one of the faults above.
func (f Fault) Valid() bool {
	switch f {
	case BadSector, TimedOut, ShortRead, Gone, Hung, Changed, Other:
		return true
	}
	return false
}

// ReadError is returned by a drive that could not be read. A read that fails
// gives no data, whatever part of it could have been read. An error that is of
// no sector, but of the whole drive, has an empty Span.
type ReadError struct {
	disk.Span
	Fault   Fault
	Err     error // what the system said
	Writing bool  // it was a write that failed
}

func (e *ReadError) Error() string {
	verb := "reading"
	switch {
	case e.Count == 0:
		return fmt.Sprintf("%s: %v", e.Fault, e.Err)
	case e.Writing:
		verb = "writing"
	}
	return fmt.Sprintf("%s sectors %s: %s: %v", verb, e.Span, e.Fault, e.Err)
}

// Unwrap returns what the system said.
func (e *ReadError) Unwrap() error { return e.Err }

// FaultOf returns the kind of a read error: Other for one that has none.
func FaultOf(err error) Fault {
	var r *ReadError
	if errors.As(err, &r) {
		return r.Fault
	}
	return Other
}

// Identity is what a drive, or the bridge before it, says of itself. All of it
// may be empty, and a bridge often gives its own serial number instead of the
// drive's: Bus tells how far it can be trusted.
type Identity struct {
	Model     string
	Serial    string
	Bus       string // "ata", "usb", "mmc", "virtio", "loop", ... or empty
	Removable bool
}

// Trusted tells whether two different identities mean two different drives.
func (id Identity) Trusted() bool { return id.Serial != "" && id.Bus != "usb" }
