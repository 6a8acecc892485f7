package main

import (
	"errors"
	"fmt"
	"io"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/safety"
)

// isPlanFile tells whether a file looks like a plan.
func isPlanFile(path string) bool { return safety.OwnKind(path) == safety.PlanFile }

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

// checkPlanFirst finds out that PLAN and TARGET of a verb were given the wrong
// way round, or that PLAN stands alone.
func checkPlanFirst(verb string, args []string) error {
	switch {
	case len(args) == 2 && !isPlanFile(args[0]) && isPlanFile(args[1]):
		return talk.Usagef("%s is a plan, and %s is none: the plan comes first:\n\n  bootgraft %s %s %s", args[1], args[0], verb, words.Shell(args[1]), words.Shell(args[0]))
	case len(args) == 1 && isPlanFile(args[0]):
		return talk.Usagef("%s is a plan; which card is compared with it? bootgraft %s %s card.img", args[0], verb, words.Shell(args[0]))
	}
	return nil
}

// checkReceiptFirst finds out that RECEIPT and TARGET of undo were given the
// wrong way round, or that the plan stands in the place of its receipt.
func checkReceiptFirst(args []string) error {
	first, second := safety.OwnKind(args[0]), safety.OwnKind(args[1])
	switch {
	case first != safety.ReceiptFile && second == safety.ReceiptFile:
		return talk.Usagef("%s is a receipt, and %s is none: the receipt comes first:\n\n  sudo bootgraft undo %s %s --device", args[1], args[0], words.Shell(args[1]), words.Shell(args[0]))
	case first == safety.PlanFile:
		receipt := args[0] + ".receipt"
		return talk.Usagef("%s is a plan, and undo puts back what the receipt of a write kept, which lies beside the plan:\n\n  sudo bootgraft undo %s %s --device", args[0], words.Shell(receipt), words.Shell(args[1]))
	}
	return nil
}

// otherThanDrive says that a file of this program was given where something else
// is wanted, or returns nil.
func otherThanDrive(path, wanted string) error {
	switch kind := safety.OwnKind(path); kind {
	case safety.ReceiptFile, safety.RuleFile, safety.RecordFile:
		return talk.Usagef("%s is %s, and what is wanted here is %s", path, kind, wanted)
	}
	return nil
}

// staleError says of a source that it is not the one of the plan: which one was
// wanted, and which one was given.
func staleError(p *plan.Plan, src *opened, err error) error {
	var stale *card.StaleError
	if !errors.As(err, &stale) {
		return err
	}
	want := "the drive"
	if p.Source.Path != "" {
		want = p.Source.Path
	}
	wanted := fmt.Sprintf("%s, which had %s", want, disk.SizeText(p.Source.Sectors, p.Source.SectorSize))
	if stale.What == card.OtherMeaning {
		return talk.Refusef("%s is not the source of this plan, or it was changed since.\n"+
			"  wanted: %s, and check number %s of the sectors on which the plan rests\n"+
			"  given:  %s, of the same size, and check number %s\n"+
			"Give the right one with --source, or plan again for this one", src.path, wanted, stale.Want, src.path, stale.Have)
	}
	return talk.Refusef("%s is not the source of this plan: it is another drive.\n  wanted: %s\n  given:  %s, which has %s\nGive the right one with --source, or plan again for this one",
		src.path, wanted, src.path, disk.SizeText(image.Sectors(src), src.SectorSize()))
}
