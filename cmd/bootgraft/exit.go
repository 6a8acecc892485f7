package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// The exit codes. Scripts rely on them; a new one may be added, none may
// change its meaning. If several hold, the order is 4, 5, 6, 7.
const (
	exitDone       = 0 // also a rehearsal
	exitFailed     = 1 // an input or output cannot be read, parsed or written; TARGET untouched
	exitUsage      = 2 // flags and arguments
	exitRefused    = 3 // the answer is no; no output file remains, an older one is untouched
	exitFenced     = 4 // stopped after the first write to a device
	exitDifferent  = 5 // verify, an archive check or card found a difference
	exitIncomplete = 6 // done, but missing source sectors lie in what was carried
	exitStopped    = 7 // stopped; the same command goes on
)

// codedError is an error that knows how the program ends.
type codedError struct {
	code int
	err  error
}

func (e *codedError) Error() string { return e.err.Error() }
func (e *codedError) Unwrap() error { return e.err }

func coded(code int, err error) error {
	if err == nil {
		return nil
	}
	return &codedError{code, err}
}

func usagef(format string, args ...any) error {
	return coded(exitUsage, fmt.Errorf(format, args...))
}

func refusef(format string, args ...any) error {
	return coded(exitRefused, fmt.Errorf(format, args...))
}

// errSaid ends the program with a code after everything was said.
var errSaid = errors.New("said already")

// said returns err, or that the answer could not be written: whoever asked does
// not have it. What must be known of a card goes before.
func (u *ui) said(err error) error {
	lost := u.answer.end()
	if lost == nil || exitCode(err) == exitFenced || errors.Is(err, lost) {
		return err
	}
	lost = fmt.Errorf("the answer could not be written: %w", lost)
	if err == nil || errors.Is(err, errSaid) {
		return lost
	}
	return fmt.Errorf("%w; and %w", coded(exitFailed, errors.New(err.Error())), lost)
}

// exitCode returns how the program ends after err.
func exitCode(err error) int {
	var c *codedError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &c):
		return c.code
	case errors.Is(err, context.Canceled):
		return exitStopped
	}
	return exitFailed
}

// errorText is what a person is told of err: whoever pressed Ctrl-C need not
// know what Go calls that.
func errorText(err error) string {
	text := strings.TrimSuffix(err.Error(), "\n")
	if errors.Is(err, context.Canceled) {
		text = strings.NewReplacer("context canceled", "interrupted", "interrupt signal received", "interrupted", "terminated signal received", "interrupted").Replace(text)
	}
	return text
}
