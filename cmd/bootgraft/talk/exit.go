package talk

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// The exit codes. Scripts rely on them; a new one may be added, none may
// change its meaning. If several hold, the order is 4, 5, 6, 7.
const (
	ExitDone       = 0 // also a rehearsal
	ExitFailed     = 1 // an input or output cannot be read, parsed or written; TARGET untouched
	ExitUsage      = 2 // flags and arguments
	ExitRefused    = 3 // the answer is no, also to an absent TARGET; no output file remains, an older one is untouched
	ExitFenced     = 4 // stopped after the first write to a device
	ExitDifferent  = 5 // verify, an archive check or card found a difference
	ExitIncomplete = 6 // done, but missing source sectors lie in what was carried
	ExitStopped    = 7 // stopped; the same command goes on
)

// CodedError is an error that knows how the program ends.
type CodedError struct {
	code int
	err  error
}

func (e *CodedError) Error() string { return e.err.Error() }
func (e *CodedError) Unwrap() error { return e.err }

// Coded returns err as one that ends the program with code; nil stays nil.
func Coded(code int, err error) error {
	if err == nil {
		return nil
	}
	return &CodedError{code, err}
}

// Usagef returns an error about flags and arguments.
func Usagef(format string, args ...any) error {
	return Coded(ExitUsage, fmt.Errorf(format, args...))
}

// Refusef returns an error that says no.
func Refusef(format string, args ...any) error {
	return Coded(ExitRefused, fmt.Errorf(format, args...))
}

// ErrSaid ends the program with a code after everything was said.
var ErrSaid = errors.New("said already")

// Said returns err, or that the answer could not be written: whoever asked does
// not have it. What must be known of a card goes before.
func (u *UI) Said(err error) error {
	if u.JSON {
		if lost := u.writeObject(err); lost != nil && u.answer.err == nil {
			return fmt.Errorf("the answer could not be written: %w", lost)
		}
	}
	lost := u.answer.end()
	if lost == nil || ExitCode(err) == ExitFenced || errors.Is(err, lost) {
		return err
	}
	said := err == nil || errors.Is(err, ErrSaid)
	if said && errors.Is(lost, syscall.EPIPE) {
		return Coded(ExitFailed, ErrSaid) // who stopped reading, a pager or head, has seen enough
	}
	lost = fmt.Errorf("the answer could not be written: %w", lost)
	if said {
		return lost
	}
	return fmt.Errorf("%w; and %w", Coded(ExitFailed, errors.New(err.Error())), lost)
}

// Lost returns why the answer could not be written so far, or nil. Who is about to
// wait for others asks: what they need to know was said to nobody.
func (u *UI) Lost() error {
	if u.answer == nil || u.answer.err == nil {
		return nil
	}
	return fmt.Errorf("the answer could not be written: %w", u.answer.err)
}

// ExitCode returns how the program ends after err.
func ExitCode(err error) int {
	var c *CodedError
	switch {
	case err == nil:
		return ExitDone
	case errors.As(err, &c):
		return c.code
	case errors.Is(err, context.Canceled):
		return ExitStopped
	}
	return ExitFailed
}

// ErrorText is what a person is told of err: whoever pressed Ctrl-C need not
// know what Go calls that.
func ErrorText(err error) string {
	text := strings.TrimSuffix(err.Error(), "\n")
	if errors.Is(err, context.Canceled) {
		text = strings.NewReplacer(
			"context canceled", "interrupted",
			"interrupt signal received", "interrupted",
			"terminated signal received", "interrupted").Replace(text)
	}
	return text
}

// ErrorLine is what a person is told of err as the last line of the conversation,
// folded to so many cells, 0 for not at all. A line with a command stays as it is:
// somebody may want to paste it.
func ErrorLine(err error, cells int) string {
	lines := strings.Split("bootgraft: "+ErrorText(err), "\n")
	for i, l := range lines {
		if cells > 0 && words.Cells(l) > cells && !strings.HasPrefix(l, " ") && !words.HasCommand(l) {
			lines[i] = strings.TrimSuffix(words.FoldTo(cells, "", l), "\n")
		}
	}
	return strings.Join(lines, "\n") + "\n"
}

// exitWords are the codes of errors that have none of their own, by how the
// program ends, and what is said where all else is in the object already.
var exitWords = map[int][2]string{
	ExitFailed:     {"failed", "it could not be done"},
	ExitRefused:    {"refused", "the answer is no; this object says why"},
	ExitFenced:     {"fenced", "it stopped after the first write to the device"},
	ExitDifferent:  {"different", "there are differences; this object says where"},
	ExitIncomplete: {"incomplete", "it is done, but missing sectors lie in what was copied"},
	ExitStopped:    {"stopped", "it stopped; the same command goes on"},
}

// errorCode is the short word for err.
func errorCode(err error) string {
	var newer *disk.NewerFormError
	if errors.As(err, &newer) {
		return "newer-form"
	}
	return exitWords[ExitCode(err)][0]
}

// errorSentence is what the object of the answer says of err.
func errorSentence(err error) string {
	if errors.Is(err, ErrSaid) {
		return exitWords[ExitCode(err)][1]
	}
	return ErrorText(err)
}
