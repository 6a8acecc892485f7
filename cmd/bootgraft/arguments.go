package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

	"bootgraft/image"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
)

// isPlanFile tells whether a file looks like a plan.
func isPlanFile(path string) bool {
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
	head := make([]byte, 96)
	n, err := f.ReadAt(head, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return false
	}
	head = head[:n]
	return bytes.HasPrefix(head, []byte("{")) && bytes.Contains(head, []byte(`"schema"`)) && bytes.Contains(head, []byte(`"target"`))
}

// planForSource says that a plan was given where a drive is wanted.
func planForSource(path string) error {
	word := shellWord(path)
	return usagef("%s is a plan, and what is wanted here is a drive: an image, a capture or a kit. What reads a plan:\n\n"+
		"  bootgraft files --plan %s\n  bootgraft write %s card.img\n  bootgraft verify %s card.img", path, word, word, word)
}

// checkPlanFirst finds out that PLAN and TARGET of a verb were given the wrong
// way round, or that PLAN stands alone.
func checkPlanFirst(verb string, args []string) error {
	switch {
	case len(args) == 2 && !isPlanFile(args[0]) && isPlanFile(args[1]):
		return usagef("%s is a plan, and %s is none: the plan comes first:\n\n  bootgraft %s %s %s", args[1], args[0], verb, shellWord(args[1]), shellWord(args[0]))
	case len(args) == 1 && isPlanFile(args[0]):
		return usagef("%s is a plan; which card is compared with it? bootgraft %s %s card.img", args[0], verb, shellWord(args[0]))
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
	wanted := fmt.Sprintf("%s, which had %s", want, diskText(p.Source.Sectors, p.Source.SectorSize))
	if stale.What == card.OtherMeaning {
		return refusef("%s is not the source of this plan, or it was changed since.\n"+
			"  wanted: %s, and check number %s of the sectors on which the plan rests\n"+
			"  given:  %s, of the same size, and check number %s\n"+
			"Give the right one with --source, or plan again for this one", src.path, wanted, stale.Want, src.path, stale.Have)
	}
	return refusef("%s is not the source of this plan: it is another drive.\n  wanted: %s\n  given:  %s, which has %s\nGive the right one with --source, or plan again for this one",
		src.path, wanted, src.path, diskText(image.Sectors(src), src.SectorSize()))
}
