package main

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
)

// Whoever presses Ctrl-C while a disk is waited for or read is told that it was
// interrupted, and the program ends with 7, not with a refusal.
func TestInterruptedEndsWith7(t *testing.T) {
	for _, err := range []error{
		cardError("next", context.Canceled),
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
