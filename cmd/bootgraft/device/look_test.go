package device

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/safety/blockdev"
)

// Whoever presses Ctrl-C while a disk is waited for or read is told that it was
// interrupted, and the program ends with 7, not with a refusal.
func TestInterruptedEndsWith7(t *testing.T) {
	for _, err := range []error{
		openError("next", context.Canceled),
		lookError("next", context.Canceled),
		input.DeviceError("next", context.Canceled),
		fmt.Errorf("looking: %w", context.Canceled),
	} {
		if talk.ExitCode(err) != talk.ExitStopped {
			t.Errorf("%v ends with %d", err, talk.ExitCode(err))
		}
	}
	if got := talk.ErrorText(fmt.Errorf("looking: %w", context.Canceled)); got != "looking: interrupted" {
		t.Errorf("told is %q", got)
	}
	if got := talk.ErrorText(errors.New("context canceled is in no message of ours\n")); got != "context canceled is in no message of ours" {
		t.Errorf("told is %q", got)
	}
}

// A system without devices refuses them, and one on which cards are only read refuses to
// write them; both say what can be done.
func TestDevicesAreNotHandledHere(t *testing.T) {
	for _, c := range []struct {
		err   error
		is    error
		wants []string
	}{
		{lookError("/dev/disk4", blockdev.ErrUnsupported), input.ErrNoDisks, []string{"survey, plan, files, write"}},
		{openError(`\\.\PhysicalDrive4`, blockdev.ErrNotWritten), input.ErrNoDevices,
			[]string{"on Linux only", "nothing was written", "bootgraft write card.plan card.img", "hand card.img"}},
	} {
		if talk.ExitCode(c.err) != talk.ExitRefused || !errors.Is(c.err, c.is) {
			t.Errorf("%v ends with %d", c.err, talk.ExitCode(c.err))
		}
		for _, want := range append(c.wants, "4 is a device") {
			if !strings.Contains(c.err.Error(), want) {
				t.Errorf("%q is not said: %v", want, c.err)
			}
		}
	}
}

// A part of a disk is not its whole: what to give instead is said.
func TestAPartIsNoDisk(t *testing.T) {
	err := lookError(`E:`, &image.NotRegularError{Path: `E:`, Kind: image.PartOfDisk})
	if talk.ExitCode(err) != talk.ExitRefused || !strings.Contains(err.Error(), "only a part of a disk") ||
		!strings.Contains(err.Error(), "bootgraft survey") {
		t.Errorf("%v ends with %d", err, talk.ExitCode(err))
	}
}
