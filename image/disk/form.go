package disk

import "fmt"

// NewerFormError says that a file was written by a later version of this
// program, in a form that this version does not know. The file is whole, as far
// as anybody can tell here: it is to be kept, not made again.
type NewerFormError struct {
	What string // plan, record, receipt, kit, rule file
	Form int64  // what the file says
	Most int64  // the highest form that is read here
}

func (e *NewerFormError) Error() string {
	return fmt.Sprintf("this %s is of form %d, and this program reads forms up to %d; a newer bootgraft reads it",
		e.What, e.Form, e.Most)
}

// MaxWriter bounds how long the name of the program is that a file says it was
// written by, in bytes.
const MaxWriter = 200

// CheckWriter bounds the name of the program that wrote a file: one line of
// printable ASCII. The empty name is that of a file which does not say.
func CheckWriter(name string) error {
	if len(name) > MaxWriter {
		return fmt.Errorf("the name of the program that wrote it has %d bytes, and at most %d are possible", len(name),
			MaxWriter)
	}
	for i := range len(name) {
		if name[i] < 0x20 || name[i] > 0x7E {
			return fmt.Errorf("the name of the program that wrote it has a byte %#02x, which is no printable character", name[i])
		}
	}
	return nil
}

// IsSHA256 tells whether a text is a SHA-256 as the files of this program write it: in
// lower-case hexadecimal digits.
func IsSHA256(s string) bool {
	for i := range len(s) {
		if (s[i] < '0' || s[i] > '9') && (s[i] < 'a' || s[i] > 'f') {
			return false
		}
	}
	return len(s) == 64
}
