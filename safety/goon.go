package safety

import (
	"errors"
	"io/fs"

	"bootgraft/image/disk"
	"bootgraft/safety/newfile"
	"bootgraft/safety/receipt"
)

// readReceipt looks whether the receipt of the request exists already, and
// what that means. What is no obstacle gives no refusal.
func (r *Rehearsal) readReceipt(x *examined) (*Refusal, error) {
	for _, path := range r.req.Earlier {
		if old, err := receipt.Read(path); err == nil && old.Stage == receipt.StageDone && (cardOf{old}).knows(x) {
			x.ours = true
		}
	}
	if r.req.Receipt == "" {
		return nil, nil
	}
	old, err := receipt.ReadLocked(r.req.Receipt)
	if errors.Is(err, newfile.ErrInUse) {
		return inUse(r.req.Receipt), nil
	}
	if r.req.Kind == receipt.Undo {
		if err != nil {
			return nil, err
		}
		r.Receipt = old
		return cardOf{old}.undoRefusal(x, r.dev)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil:
		return &Refusal{
			Code: disk.ReceiptExists, Path: r.req.Receipt, Do: "give another name with --receipt",
			Why: "it exists, and it is no receipt that could be continued: " + err.Error(),
		}, nil
	}
	return r.continueReceipt(old, x)
}

// continueReceipt looks whether the work of a receipt that exists is what is asked for.
func (r *Rehearsal) continueReceipt(old *receipt.Receipt, x *examined) (*Refusal, error) {
	refusal := func(code disk.Code, do, why string) (*Refusal, error) {
		return &Refusal{Code: code, Path: r.req.Receipt, Why: why, Do: do}, nil
	}
	switch {
	case r.req.Pull && old.Stage == receipt.StagePull:
		return r.secondHalf(old, x)
	case old.Format == "": // cut off in its first line
		r.req.anew = true
		return nil, nil
	case old.Finished() || old.Kind != receipt.Write || r.req.Kind != receipt.Write:
		x.ours = x.ours || old.Stage == receipt.StageDone && cardOf{old}.knows(x)
		return refusal(disk.ReceiptExists, "give another name with --receipt",
			"it is the receipt of earlier work, and a receipt is never overwritten")
	case old.Plan != r.req.Digest:
		return refusal(disk.ReceiptOther, "give another name with --receipt, or use the plan of that receipt",
			"it is the unfinished receipt of another plan")
	case !old.Same(x.Facts):
		return cardOf{old}.refusalOf(judgement{outcome: another, reason: "another name, number or size"}, x), nil
	case old.Digest == "":
		begun, err := cardOf{old}.cutSince(x, r.dev)
		if err != nil || begun {
			return cardOf{old}.cutRefusal(disk.ReceiptExists), err
		}
		r.req.anew = true
		return nil, nil
	case old.Undoing:
		return refusal(disk.ReceiptOther, "finish that: bootgraft undo "+r.req.Receipt,
			"an undo was begun with it and did not come to its end")
	case x.head == nil: // other guards refuse what could not be looked at
		return nil, nil
	}
	return r.readCard(old, x)
}

// readCard looks whether the card is the one of an unfinished receipt.
func (r *Rehearsal) readCard(old *receipt.Receipt, x *examined) (*Refusal, error) {
	j, err := cardOf{old}.judge(r.dev)
	if err != nil {
		return nil, err
	}
	if j.outcome == anew {
		r.req.anew = true
		return nil, nil
	}
	r.Receipt, r.Finished = old, j.outcome == finished
	x.ours = x.ours || j.proved
	return cardOf{old}.refusalOf(j, x), nil
}
