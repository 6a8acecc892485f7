package device

import (
	"errors"
	"fmt"
	"io/fs"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/safety/receipt"
)

// stands says what is known of a card when the program ends at once: the receipt
// alone knows, for each stage is durable in it before it begins.
func (w *work) stands() (string, int) {
	r, err := receipt.Read(w.req.Receipt)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Sprintf("Nothing was written to %s yet: its receipt comes first, and there is no %s", w.path,
			w.req.Receipt), talk.ExitStopped
	case err != nil:
		return fmt.Sprintf("What %s holds is not known: its receipt cannot be read (%v). It may be no disk for any system",
			w.path, err), talk.ExitFenced
	case r.Untouched():
		return fmt.Sprintf("By its receipt, nothing was written to %s yet; the same command without --confirm begins again",
			w.path), talk.ExitStopped
	case r.Finished():
		return fmt.Sprintf("By its receipt, the work on %s is done, and it was not detached: pull it", w.path),
			talk.ExitFenced
	case r.Kind == receipt.QuickTest:
		return fmt.Sprintf(
			"By its receipt, the test of %s was broken off, and its stamps may still lie there. "+
				"To put back what they replaced: %s",
			w.path, w.undoCommand(w.req.Receipt)), talk.ExitFenced
	case r.Kind == receipt.FullTest && r.All:
		return fmt.Sprintf(
			"By its receipt, the test of %s was broken off, and it holds noise as far as the test came. "+
				"To put back what it held: %s",
			w.path, w.undoCommand(w.req.Receipt)), talk.ExitFenced
	case r.Kind == receipt.FullTest:
		return fmt.Sprintf("By its receipt, the test of %s was broken off, and it holds noise as far as the test came",
			w.path), talk.ExitFenced
	}
	stage := fmt.Sprintf("in the stage %q, with %s of data on it", r.Stage, disk.Counted(r.Upto, "sector"))
	if r.Undoing {
		stage = "half undone"
	}
	disk := "its sector 0 is just being replaced, so that it may still be taken for a disk: do not use it"
	if r.Fenced() {
		disk = "no disk for any system until the last stage"
	}
	return fmt.Sprintf("By its receipt, %s is %s: it is not whole, and %s. The same command without --confirm goes on; "+
		"the receipt is %s",
		w.path, stage, disk, w.req.Receipt), talk.ExitFenced
}

// undoCommand is what to type to put back what a receipt keeps of this card.
func (w *work) undoCommand(receipt string) string {
	return words.AsNow(fmt.Sprintf("bootgraft undo %s %s --device", words.Shell(receipt), words.Shell(w.path)))
}
