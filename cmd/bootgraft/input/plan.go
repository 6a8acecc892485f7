package input

import (
	"errors"
	"fmt"
	"io"
	"os"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
)

// IsPlanFile tells whether a file looks like a plan.
func IsPlanFile(path string) bool {
	st, err := os.Stat(path)
	if err != nil || !st.Mode().IsRegular() {
		return false
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	return isPlan(f)
}

// isPlan tells whether a file begins like a plan.
func isPlan(f io.ReaderAt) bool {
	head := make([]byte, plan.HeadBytes)
	n, err := f.ReadAt(head, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return false
	}
	return plan.Begins(head[:n])
}

// planForSource says that a plan was given where a drive is wanted.
func planForSource(path string) error {
	word := words.Shell(path)
	return talk.Usagef("%s is a plan, and what is wanted here is a drive: an image, a capture or a kit. What reads a plan:\n\n"+
		"  bootgraft files --plan %s\n  bootgraft write %s card.img\n  bootgraft verify %s card.img", path, word, word, word)
}

// CheckPlanFirst finds out that PLAN and TARGET of a verb were given the wrong
// way round, or that PLAN stands alone.
func CheckPlanFirst(verb string, args []string) error {
	switch {
	case len(args) == 2 && !IsPlanFile(args[0]) && IsPlanFile(args[1]):
		return talk.Usagef("%s is a plan, and %s is none: the plan comes first:\n\n  bootgraft %s %s %s", args[1], args[0], verb, words.Shell(args[1]), words.Shell(args[0]))
	case len(args) == 1 && IsPlanFile(args[0]):
		return talk.Usagef("%s is a plan; which card is compared with it? bootgraft %s %s card.img", args[0], verb, words.Shell(args[0]))
	}
	return nil
}

// IsDevice tells whether a path names a block device.
func IsDevice(path string) bool {
	_, err := image.Open(path, 512)
	var kind *image.NotRegularError
	return errors.As(err, &kind) && kind.Kind == "a block device"
}

// openPlan reads a plan file. The file stays open as long as the plan is used.
func openPlan(path string) (*plan.Plan, *os.File, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, nil, SourceError(path, err)
	}
	if !st.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("%s is not a plan file: it is not a regular file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, SourceError(path, err)
	}
	p, err := plan.Decode(f, st.Size())
	if err != nil {
		f.Close()
		if newer := (*disk.NewerFormError)(nil); errors.As(err, &newer) {
			return nil, nil, fmt.Errorf("%s: %w", path, newer)
		}
		return nil, nil, fmt.Errorf("%s is no plan that can be trusted: %w. Make it again with: bootgraft plan", path, err)
	}
	return p, f, nil
}
