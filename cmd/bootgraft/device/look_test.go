package device

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
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

// A system without devices refuses them, and says what it can do.
func TestDevicesAreNotHandledHere(t *testing.T) {
	err := lookError("/dev/disk4", blockdev.ErrUnsupported)
	if talk.ExitCode(err) != talk.ExitRefused || !errors.Is(err, input.ErrNoDevices) {
		t.Errorf("%v ends with %d", err, talk.ExitCode(err))
	}
	for _, want := range []string{"on Linux only", "survey, plan, files, write", "/dev/disk4"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not said: %v", want, err)
		}
	}
}
