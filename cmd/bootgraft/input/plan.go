package input

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety"
)

// IsPlanFile tells whether a file looks like a plan.
func IsPlanFile(path string) bool { return safety.OwnKind(path) == safety.PlanFile }

// IsPlan tells whether a file begins like a plan.
func IsPlan(f io.ReaderAt) bool {
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
	return talk.Usagef("%s is a plan, and what is wanted here is a drive: an image, a capture or a kit. What "+
		"reads a plan:\n\n"+
		"  bootgraft files --plan %s\n  bootgraft write %s card.img\n  bootgraft verify %s card.img", path, word, word, word)
}

// CheckPlanFirst finds out that PLAN and TARGET of a verb were given the wrong
// way round, or that PLAN stands alone.
func CheckPlanFirst(verb string, args []string) error {
	switch {
	case len(args) == 2 && !IsPlanFile(args[0]) && IsPlanFile(args[1]):
		return talk.Usagef(
			"%s is a plan, and %s is none: the plan comes first:\n\n  bootgraft %s %s %s",
			args[1], args[0], verb, words.Shell(args[1]), words.Shell(args[0]))
	case len(args) == 1 && IsPlanFile(args[0]):
		return talk.Usagef("%s is a plan; which card is compared with it? bootgraft %s %s card.img", args[0], verb,
			words.Shell(args[0]))
	}
	return nil
}

// CheckReceiptFirst finds out that RECEIPT and TARGET of undo were given the
// wrong way round, or that the plan stands in the place of its receipt.
func CheckReceiptFirst(args []string) error {
	first, second := safety.OwnKind(args[0]), safety.OwnKind(args[1])
	switch {
	case first != safety.ReceiptFile && second == safety.ReceiptFile:
		return talk.Usagef(
			"%s is a receipt, and %s is none: the receipt comes first:\n\n  %s", args[1], args[0],
			undoLine(args[1], args[0]))
	case first == safety.PlanFile:
		return talk.Usagef(
			"%s is a plan, and undo puts back what the receipt of a write kept, "+
				"which lies beside the plan:\n\n  %s", args[0], undoLine(args[0]+".receipt", args[1]))
	}
	return nil
}

// undoLine puts back what a receipt keeps of a card.
func undoLine(receipt, target string) string {
	return words.AsRoot(fmt.Sprintf("bootgraft undo %s %s --device", words.Shell(receipt), words.Shell(target)))
}

// OtherThanDrive says that a file of this program was given where something else
// is wanted, or returns nil.
func OtherThanDrive(path, wanted string) error {
	switch kind := safety.OwnKind(path); kind {
	case safety.ReceiptFile, safety.RuleFile, safety.RecordFile, safety.NotesFile:
		return talk.Usagef("%s is %s, and what is wanted here is %s", path, kind, wanted)
	}
	return nil
}

// IsDevice tells whether a path names a block device.
func IsDevice(path string) bool {
	_, err := image.Open(path, 512)
	var kind *image.NotRegularError
	return errors.As(err, &kind) && kind.Kind == image.BlockDevice
}

// PlanAndSource reads a plan and says where its source lies now; the path is empty where
// that is not known.
func PlanAndSource(path string) (*plan.Plan, string, error) {
	p, f, err := openPlan(path)
	if err != nil {
		return nil, "", err
	}
	source := ""
	if p.Source.Path != "" {
		source = remembered(p.Source.Path, filepath.Dir(path))
	}
	return p, source, f.Close()
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
		if kind := safety.OwnKind(path); kind != "" && kind != safety.PlanFile {
			return nil, nil, talk.Usagef("%s is %s, and what is wanted here is a plan", path, kind)
		}
		return nil, nil, fmt.Errorf("%s is no plan that can be trusted: %w. Make it again with: bootgraft plan", path, err)
	}
	return p, f, nil
}
