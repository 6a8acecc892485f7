package safety

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"bootgraft/image"
	"bootgraft/layout"
)

// openReceipt makes the receipt, with what the card holds now in it, or goes
// on with an older one. When it returns, what it holds outlasts a power cut.
func (a *applier) openReceipt() error {
	a.stage = StageKeep
	if a.receipt != nil {
		return a.continueReceipt()
	}
	kept := a.fence
	if a.req.KeepAll {
		kept = kept.Union(written(a.req.Pieces))
	}
	head, err := a.sector0Digest()
	if err != nil {
		return err
	}
	return a.newReceipt(kept, header{Fence: a.fence, Sector0: head, All: a.req.KeepAll})
}

// sector0Digest returns the SHA-256 of sector 0 as it will be, by which the
// card is known to be as the write left it.
func (a *applier) sector0Digest() (string, error) {
	if len(a.phase[3]) == 0 {
		return "", nil
	}
	b := make([]byte, a.n)
	if a.req.Pieces[0].Op != layout.Zero {
		if err := image.ReadFull(a.req.Card, b, 0); err != nil {
			return "", err
		}
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// newReceipt keeps sectors of the card in a new receipt.
func (a *applier) newReceipt(kept layout.Spans, h header) error {
	path := a.req.Receipt
	if path == "" {
		return errors.New("there is no name for the receipt")
	}
	if err := roomFor(path, sourceBytes(kept, a.dev)); err != nil {
		return err
	}
	if a.req.unsealed {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	f, err := a.dev.Look(nil)
	if err != nil {
		return err
	}
	h.Format, h.Version, h.Kind, h.Plan = receiptFormat, receiptVersion, a.req.Kind, a.req.Digest
	h.Sequence = f.Sequence
	h.Card, h.Node, h.Kept, h.Created, h.Try = cardID(f), f.Node, kept, time.Now().UTC(), a.req.Try
	file, err := createReceipt(path, a.req.Created)
	if err != nil {
		return err
	}
	a.out = &receiptWriter{file: file, hash: sha256.New()}
	if err := a.fillReceipt(h); err != nil { // the card is untouched, so the receipt is of no use
		return errors.Join(err, a.out.file.Close(), os.Remove(path))
	}
	return nil
}

func (a *applier) fillReceipt(h header) error {
	if err := a.out.line(h); err != nil {
		return err
	}
	progress := a.meterOver(sourceBytes(h.Kept, a.dev))
	stop := func() error {
		if a.ctx.Err() != nil {
			return context.Cause(a.ctx)
		}
		return nil
	}
	if err := a.out.keep(a.dev, h.Kept, stop, progress); err != nil {
		return err
	}
	if err := a.out.seal(); err != nil {
		return err
	}
	if f, ok := a.out.file.(*os.File); ok {
		if err := reserve(f, progressRoom); err != nil {
			return err
		}
	}
	return osFiles{}.syncFolder(folderOf(a.req.Receipt))
}

func (a *applier) meterOver(total int64) func(n int64) {
	if a.req.Progress == nil {
		return func(int64) {}
	}
	stage := a.stage
	return meter(func(done, total int64) { a.req.Progress(stage, done, total) }, total)
}

// progressRoom is what the lines behind the seal may take, in bytes: it is
// reserved before the first write, for none of them may fail after it.
const progressRoom = 512 << 10

// roomFor refuses if the receipt may not fit, were nothing of it compressed.
func roomFor(path string, content int64) error {
	need := content + content/64 + 1<<20
	free, known := osFiles{}.room(folderOf(path))
	if known && free < need {
		return &Refusal{Code: NoRoom, Path: path, Do: fmt.Sprintf("free %d bytes, or give a receipt in another folder", need-free),
			Why: fmt.Sprintf("keeping what is replaced needs up to %d bytes, and its file system has %d left", need, free)}
	}
	return nil
}

// continueReceipt goes on behind the last whole line.
func (a *applier) continueReceipt() error {
	file, err := os.OpenFile(a.receipt.Path, os.O_RDWR|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	a.out = &receiptWriter{file: file}
	if err := file.Truncate(a.receipt.end); err != nil {
		return errors.Join(err, file.Close())
	}
	return nil
}

// readReceipt looks whether the receipt of the request exists already, and
// what that means. What is no obstacle gives no refusal.
func (r *Rehearsal) readReceipt(x *examined) (*Refusal, error) {
	for _, path := range r.req.Earlier {
		if old, err := ReadReceipt(path); err == nil && old.Stage == StageDone && old.knows(x) {
			x.ours = true
		}
	}
	if r.req.Receipt == "" {
		return nil, nil
	}
	old, err := ReadReceipt(r.req.Receipt)
	if r.req.Kind == Undo {
		if err != nil {
			return nil, err
		}
		r.Receipt = old
		if no := old.undoRefusal(x); no != nil || old.Kind != QuickTest || x.head == nil {
			return no, nil
		}
		return old.stranger(r.dev, x.Path)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	refusal := func(code, do, why string) (*Refusal, error) {
		return &Refusal{Code: code, Path: r.req.Receipt, Why: why, Do: do}, nil
	}
	switch {
	case err == nil && r.req.Pull && old.Stage == StagePull:
		return r.secondHalf(old, x)
	case err != nil:
		return refusal(ReceiptExists, "give another name with --receipt", "it exists, and it is no receipt that could be continued: "+err.Error())
	case old.Finished() || old.Kind != Write || r.req.Kind != Write:
		x.ours = x.ours || old.Stage == StageDone && old.knows(x)
		return refusal(ReceiptExists, "give another name with --receipt", "it is the receipt of earlier work, and a receipt is never overwritten")
	case old.Plan != r.req.Digest || !old.Same(x.Facts):
		return refusal(ReceiptOther, "give another name with --receipt, or use the plan and the card of that receipt",
			"it is the unfinished receipt of another plan or another card")
	case old.Digest == "":
		r.req.unsealed = true
		return nil, nil
	case old.Undoing:
		return refusal(ReceiptOther, "finish that: bootgraft undo "+r.req.Receipt, "an undo was begun with it and did not come to its end")
	}
	r.Receipt, x.ours = old, true
	return old.changedRefusal(x), nil
}

// knows tells whether the card can be told from the original by this receipt.
// A device without a name is known by its size alone, which the original may
// have as well.
func (r *Receipt) knows(x *examined) bool {
	named := r.Card.Serial != "" || r.Card.CID != "" || r.Card.Bus == "loop"
	return r.Same(x.Facts) && (named || x.Source != nil && image.Sectors(x.Source) != x.Sectors)
}

func (r *Receipt) undoRefusal(x *examined) *Refusal {
	refusal := func(code, do, why string) *Refusal {
		return &Refusal{Code: code, Path: r.Path, Why: why, Do: do}
	}
	switch {
	case r.Digest == "":
		return refusal(NotUndoable, "nothing has to be undone", "it was never finished, so nothing was written to the card")
	case r.Stage == StageUndone:
		return refusal(NotUndoable, "nothing has to be undone", "it was undone already")
	case !r.Same(x.Facts):
		return refusal(ReceiptOther, "put in the card of that receipt", fmt.Sprintf("it belongs to another card: %s", r.Card))
	case !r.Undoable():
		return refusal(NotUndoable, "write the card again; next time add --keep all",
			"data was written over what the card held, and only its tables were kept: old tables over new data help nobody")
	}
	return r.changedRefusal(x)
}

func (c CardID) String() string {
	name := c.Model
	if name == "" {
		name = "a card without a name"
	}
	if c.Serial != "" {
		name += ", serial number " + c.Serial
	}
	return fmt.Sprintf("%s, %d sectors of %d bytes", name, c.Sectors, c.SectorSize)
}

// changedRefusal refuses a card that holds something else than the work left:
// its sector 0 is neither blank, nor the old, nor the new one.
func (r *Receipt) changedRefusal(x *examined) *Refusal {
	if r.Sector0 == "" || x.head == nil || isFilled(x.head[:r.Card.SectorSize], 0) {
		return nil
	}
	sum := sha256.Sum256(x.head[:r.Card.SectorSize])
	if have := hex.EncodeToString(sum[:]); have == r.Sector0 || have == r.oldSector0() {
		return nil
	}
	return &Refusal{Code: TargetChanged, Path: x.Path, Why: "since the receipt was made, something else was written to its sector 0",
		Do: "look at what it holds; if it is to be lost, write with a new --receipt"}
}

// oldSector0 returns the SHA-256 of sector 0 as it was, or nothing.
func (r *Receipt) oldSector0() string {
	k, err := r.Open()
	if err != nil {
		return ""
	}
	defer k.Close()
	b := make([]byte, r.Card.SectorSize)
	if image.ReadFull(k, b, 0) != nil {
		return ""
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// UndoRequest returns the request that undoes a receipt. The old content is to
// be closed when the work is done.
func UndoRequest(path string) (Request, *Kept, error) {
	r, err := ReadReceipt(path)
	if err != nil {
		return Request{}, nil, err
	}
	k, err := r.Open()
	if err != nil {
		return Request{}, nil, err
	}
	return Request{Kind: Undo, Digest: r.Digest, Disk: r.Disk(),
		Card: k, Pieces: r.pieces(), Receipt: path}, k, nil
}
