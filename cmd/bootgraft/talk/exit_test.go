package talk

import (
	"errors"
	"testing"
)

// A long error is folded, but for the lines in which a command stands.
func TestErrorsAreFolded(t *testing.T) {
	err := errors.New("the drive did not answer for a while, and now it does\nto go on: bootgraft capture /dev/sdX old.img\n  an example that is long as well")
	want := "bootgraft: the drive did not answer for\na while, and now it does\n" +
		"to go on: bootgraft capture /dev/sdX old.img\n  an example that is long as well\n"
	if got := ErrorLine(err, 40); got != want {
		t.Errorf("%q", got)
	}
	if got := ErrorLine(errors.New("no"), 0); got != "bootgraft: no\n" {
		t.Errorf("%q", got)
	}
}
