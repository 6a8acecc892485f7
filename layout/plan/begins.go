package plan

import (
	"bytes"
	"regexp"
)

// HeadBytes are enough of a file to ask Begins about it, white space as Encode
// writes it. By hand: the first keys, with room to spare.
const HeadBytes = 256

// beginning is how every plan file begins, white space aside, the forms that are
// not known yet included: they are refused by name where they are read.
var beginning = regexp.MustCompile(`^\{"schema":(?:1,"target":\{|[0-9]+,"kind":"` + Kind + `")`)

// Begins tells whether a file that begins with head is a plan file.
func Begins(head []byte) bool {
	return beginning.Match(bytes.Join(bytes.Fields(head[:min(len(head), HeadBytes)]), nil))
}
