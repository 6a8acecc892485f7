package safety

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"bootgraft/image/disk"
	"bootgraft/safety/newfile"
	"bootgraft/safety/receipt"
)

// try does everything that the work will need and that changes no byte, so
// that no word is given for work which must fail after the first write. What
// is found to be missing is returned; an error says that a try failed in
// another way.
func (r *Rehearsal) try() (Refusals, error) {
	var out Refusals
	if c := r.Unstable; c.Sectors > 0 && !r.req.Kind.Tests() {
		out = append(out, &Refusal{Code: disk.TargetUnstable, Path: r.Facts.Path,
			Why: fmt.Sprintf(
				"it answers differently from one time to the next: %s that were read twice, the first is sector %s",
				disk.Counted(c.Sectors, "sector"), disk.Grouped(c.First)),
			Do: "try another reader; to find out more: bootgraft card --write-test, which such a card may have"})
	}
	rights, err := r.tryDevice()
	if rights != nil {
		out = append(out, rights)
	}
	if err != nil {
		return nil, err
	}
	if r.req.Receipt == "" {
		return out, nil
	}
	folder, err := r.tryReceipt()
	if folder != nil {
		out = append(out, folder)
	}
	return out, err
}

// tryDevice asks the device for each thing that is asked between two writes.
// With nothing written none of them changes it. The transfers themselves were
// tried by the look: it read past the cache, from aligned buffers, by the
// descriptor that writes.
func (r *Rehearsal) tryDevice() (*Refusal, error) {
	for _, need := range []struct {
		what string
		try  func() error
	}{{"flushing it", r.dev.Flush}, {"dropping what the system caches of it", r.dev.Forget}, {"asking for its card again",
		r.dev.Same}} {
		err := need.try()
		if errors.Is(err, fs.ErrPermission) {
			do := "type the same line as root"
			if r.req.AsRoot != "" {
				do = "type: " + r.req.AsRoot
			}
			return &Refusal{Code: disk.TargetRights, Path: r.Facts.Path, Do: do,
				Why: fmt.Sprintf("it may be opened, but %s is not allowed, and the work cannot be done without (%v)", need.what,
					err)}, nil
		}
		if err != nil {
			return nil, err
		}
	}
	return nil, nil
}

// tryReceipt finds out whether the receipt can be written where it is to lie.
func (r *Rehearsal) tryReceipt() (*Refusal, error) {
	path := r.req.Receipt
	refusal := func(err error) (*Refusal, error) {
		return &Refusal{Code: disk.ReceiptFolder, Path: path, Do: "give another place with --receipt",
			Why: fmt.Sprintf("the receipt cannot be written there (%v)", err)}, nil
	}
	if r.Receipt != nil { // it is there already, and lines are added to it
		f, err := appendTo(path)
		if err != nil {
			return refusal(err)
		}
		return nil, f.Close()
	}
	if err := newfile.Try(newfile.FolderOf(path)); err != nil {
		return refusal(err)
	}
	var no *Refusal
	if err := roomFor(path, sourceBytes(r.kept(), r.dev)); errors.As(err, &no) {
		return no, nil
	}
	return nil, nil
}

// kept returns what a new receipt of the request keeps of the card.
func (r *Rehearsal) kept() disk.Spans {
	q := &r.req
	switch {
	case q.Kind == receipt.QuickTest:
		grid, _ := quickGrid(q.Disk)
		return gridSpans(grid)
	case q.Kind == receipt.FullTest && q.KeepAll:
		return disk.NewSpans(disk.Span{Count: q.Disk.Sectors})
	case q.Kind == receipt.FullTest:
		return fenceSpans(q.Disk, wholeCard(q.Disk), q.Tables)
	}
	kept := fenceSpans(q.Disk, q.Pieces, q.Tables)
	if q.KeepAll {
		kept = kept.Union(written(q.Pieces))
	}
	return kept
}

// appendTo takes a receipt for this run, to add lines to it.
func appendTo(path string) (*os.File, error) {
	f, err := receipt.Append(path)
	if errors.Is(err, newfile.ErrInUse) {
		return nil, inUse(path)
	}
	return f, err
}

func inUse(path string) *Refusal {
	return &Refusal{
		Code: disk.ReceiptInUse, Path: path, Why: "another run of this program works with this receipt",
		Do: "wait until it ends; for another card give another name with --receipt",
	}
}
