package disk

import "fmt"

// Fault tells what kind of trouble a FormatError is.
type Fault int

// The faults. They are never mixed: a malformed structure contradicts its own
// standard, an unsupported one is valid but not handled here, and an absent
// one is simply something else.
const (
	Absent      Fault = iota // no trace of the format: not an error of the disk
	Malformed                // it claims to be the format and breaks its rules
	Unsupported              // it is the format, in a form that is not handled here
)

// FormatError is what a parser returns for bytes that it does not accept.
type FormatError struct {
	Format string // "MBR", "GPT", "FAT16", ...
	Fault  Fault
	Sector Sector // disk or volume sector, as the parser's own document says
	Offset int    // byte in that sector, or -1
	Why    string
}

func (e *FormatError) Error() string {
	at := "sector " + Grouped(e.Sector)
	if e.Offset >= 0 {
		at += fmt.Sprintf(", byte %d", e.Offset)
	}
	switch e.Fault {
	case Absent:
		return fmt.Sprintf("no %s at %s: %s", e.Format, at, e.Why)
	case Unsupported:
		return fmt.Sprintf("%s at %s is not supported: %s", e.Format, at, e.Why)
	default:
		return fmt.Sprintf("malformed %s at %s: %s", e.Format, at, e.Why)
	}
}

// Malformedf makes a FormatError of fault Malformed; offset may be -1.
func Malformedf(format string, at Sector, offset int, why string, args ...any) *FormatError {
	return &FormatError{format, Malformed, at, offset, fmt.Sprintf(why, args...)}
}

// Unsupportedf makes a FormatError of fault Unsupported; offset may be -1.
func Unsupportedf(format string, at Sector, offset int, why string, args ...any) *FormatError {
	return &FormatError{format, Unsupported, at, offset, fmt.Sprintf(why, args...)}
}

// Absentf makes a FormatError of fault Absent; offset may be -1.
func Absentf(format string, at Sector, offset int, why string, args ...any) *FormatError {
	return &FormatError{format, Absent, at, offset, fmt.Sprintf(why, args...)}
}
