package safety

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety/newfile"
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
	planned, err := a.plannedContent()
	if err != nil {
		return err
	}
	return a.newReceipt(kept, header{Fence: a.fence, New: planned, All: a.req.KeepAll})
}

// plannedContent is what the card will be known by when its mark is replaced.
func (a *applier) plannedContent() (*newContent, error) {
	var blank disk.Spans
	for _, p := range a.req.Pieces {
		if p.Op == layout.Zero {
			blank = blank.Add(p.Span)
		}
	}
	sector := func(s disk.Span) ([]byte, error) {
		switch {
		case len(a.phase[3].Within(s)) == 0:
			return nil, nil
		case len(blank.Within(s)) > 0:
			return make([]byte, a.n), nil
		}
		return image.ReadSectors(a.req.Card, s)
	}
	n := &newContent{Tables: a.phase[1].Union(a.phase[2])}
	var err error
	if n.Sector0, err = sector(disk.Span{Count: 1}); err != nil {
		return nil, err
	}
	if n.Mark, err = sector(a.mark); err != nil {
		return nil, err
	}
	n.SHA256, err = digestOf(a.req.Card, n.Tables, blank)
	return n, err
}

// newReceipt keeps sectors of the card in a new receipt.
func (a *applier) newReceipt(kept disk.Spans, h header) error {
	path := a.req.Receipt
	if path == "" {
		return errors.New("there is no name for the receipt")
	}
	if err := roomFor(path, sourceBytes(kept, a.dev)); err != nil {
		return err
	}
	f, err := a.dev.Look(nil)
	if err != nil {
		return err
	}
	h.Format, h.Version, h.Kind, h.Plan = receiptFormat, receiptVersion, a.req.Kind, a.req.Digest
	h.Sequence, h.Writer = f.Sequence, a.req.Program
	h.Card, h.Node, h.Kept, h.Created, h.Try = cardID(f), f.Node, kept, time.Now().UTC(), a.req.Try
	h.Mark = a.id
	file, err := a.makeReceipt(path)
	if err != nil {
		return err
	}
	a.out = &receiptWriter{file: file, hash: sha256.New()}
	if err := a.fillReceipt(h); err != nil { // the card is untouched, so the receipt is of no use
		return errors.Join(err, a.out.file.Close(), os.Remove(path))
	}
	return nil
}

// makeReceipt makes a new file, or empties the one of a card that was never
// touched, which is of no use to anybody.
func (a *applier) makeReceipt(path string) (*os.File, error) {
	if !a.req.anew {
		return createReceipt(path)
	}
	f, err := openReceipt(path, appendReceipt)
	if err != nil {
		return nil, err
	}
	now, err := readFrom(f, path)
	if err == nil && now.proof != untouched {
		err = errChangedReceipt
	}
	if err == nil {
		err = f.Truncate(0)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

var errChangedReceipt = errors.New("the receipt was changed since it was read; rehearse again")

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
		if err := newfile.Reserve(f, progressRoom); err != nil {
			return err
		}
	}
	return newfile.OS{}.SyncFolder(newfile.FolderOf(a.req.Receipt))
}

func (a *applier) meterOver(total int64) func(n int64) {
	if a.req.Progress == nil {
		return func(int64) {}
	}
	stage := a.stage
	return meter(func(done, total int64) { a.req.Progress(stage, done, total) }, total)
}

// progressRoom is what the lines behind the seal may take, in bytes: it is
// reserved before the first write of each run, for none of them may fail after it.
const progressRoom = 512 << 10

// roomFor refuses if the receipt may not fit, were nothing of it compressed.
func roomFor(path string, content int64) error {
	need := content + content/64 + 1<<20
	free, known := newfile.OS{}.Room(newfile.FolderOf(path))
	if known && free < need {
		return &Refusal{Code: disk.NoRoom, Path: path, Do: fmt.Sprintf("free %s, or give a receipt in another folder", disk.Counted(need-free, "byte")),
			Why: fmt.Sprintf("keeping what is replaced needs up to %s, and its file system has %s left", disk.Counted(need, "byte"), disk.Grouped(free))}
	}
	return nil
}

// continueReceipt goes on behind the last whole line. What the rehearsal
// decided is decided again by what the receipt and the card say now, when
// nobody else can take the receipt.
func (a *applier) continueReceipt() error {
	file, err := openReceipt(a.receipt.Path, appendReceipt)
	if err != nil {
		return err
	}
	now, err := readFrom(file, a.receipt.Path)
	if err == nil && (now.Digest != a.receipt.Digest || now.end != a.receipt.end) {
		err = errChangedReceipt
	}
	if err == nil {
		err = a.judgeAgain(now)
	}
	if err == nil {
		err = file.Truncate(a.receipt.end)
	}
	if err == nil { // what the run before reserved is gone with that
		err = newfile.Reserve(file, progressRoom)
	}
	if err != nil {
		return errors.Join(err, file.Close())
	}
	a.out = &receiptWriter{file: file}
	return nil
}

func (a *applier) judgeAgain(r *Receipt) error {
	f, err := a.dev.Look(nil)
	if err != nil {
		return err
	}
	x := &examined{Facts: f, Request: &a.req}
	if a.req.Pull {
		no, err := r.notPulled(a.dev, x)
		if err == nil && no != nil {
			err = Refusals{no}
		}
		return err
	}
	j, err := r.judge(a.dev)
	if err != nil {
		return err
	}
	refusal := r.refusalOf(j, x)
	if a.req.Kind == Undo {
		refusal = r.undoRefusalOf(j, x)
	}
	if refusal != nil {
		return Refusals{refusal}
	}
	a.finished = j.outcome == finished && a.req.Kind == Write
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
	old, err := readLocked(r.req.Receipt)
	var inUse *Refusal
	if errors.As(err, &inUse) {
		return inUse, nil
	}
	if r.req.Kind == Undo {
		if err != nil {
			return nil, err
		}
		r.Receipt = old
		return old.undoRefusal(x, r.dev)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	refusal := func(code disk.Code, do, why string) (*Refusal, error) {
		return &Refusal{Code: code, Path: r.req.Receipt, Why: why, Do: do}, nil
	}
	switch {
	case err == nil && r.req.Pull && old.Stage == StagePull:
		return r.secondHalf(old, x)
	case err != nil:
		return refusal(disk.ReceiptExists, "give another name with --receipt", "it exists, and it is no receipt that could be continued: "+err.Error())
	case old.Format == "": // cut off in its first line
		r.req.anew = true
		return nil, nil
	case old.Finished() || old.Kind != Write || r.req.Kind != Write:
		x.ours = x.ours || old.Stage == StageDone && old.knows(x)
		return refusal(disk.ReceiptExists, "give another name with --receipt", "it is the receipt of earlier work, and a receipt is never overwritten")
	case old.Plan != r.req.Digest:
		return refusal(disk.ReceiptOther, "give another name with --receipt, or use the plan of that receipt",
			"it is the unfinished receipt of another plan")
	case !old.Same(x.Facts):
		return old.refusalOf(judgement{outcome: another, reason: "another name, number or size"}, x), nil
	case old.Digest == "":
		r.req.anew = true
		return nil, nil
	case old.Undoing:
		return refusal(disk.ReceiptOther, "finish that: bootgraft undo "+r.req.Receipt, "an undo was begun with it and did not come to its end")
	case x.head == nil: // other guards refuse what could not be looked at
		return nil, nil
	}
	return r.readCard(old, x)
}

// readCard looks whether the card is the one of an unfinished receipt.
func (r *Rehearsal) readCard(old *Receipt, x *examined) (*Refusal, error) {
	j, err := old.judge(r.dev)
	if err != nil {
		return nil, err
	}
	if j.outcome == anew {
		r.req.anew = true
		return nil, nil
	}
	r.Receipt, r.Finished = old, j.outcome == finished
	x.ours = x.ours || j.proved
	return old.refusalOf(j, x), nil
}

// refusalOf says why a write cannot go on with the receipt, or nothing.
func (r *Receipt) refusalOf(j judgement, x *examined) *Refusal {
	do := "put in the card of that receipt; to write this card as a new one give another name with --receipt"
	if x.Anew != "" {
		do = "put in the card of that receipt; to write this card as a new one, with a receipt of its own, type: " + x.Anew
	}
	switch j.outcome {
	case another:
		return &Refusal{Code: disk.ReceiptOther, Path: x.Path, Do: do, Why: "it is another card than that of the unfinished receipt: " + j.reason + "; " + r.where()}
	case changed:
		return &Refusal{Code: disk.TargetChanged, Path: x.Path, Do: "look at what it holds; " + do, Why: j.reason + "; " + r.where()}
	case anew:
		return &Refusal{Code: disk.ReceiptOther, Path: x.Path, Do: "rehearse again", Why: "the receipt changed"}
	}
	return nil
}

// knows tells whether the card can be told from the original by this receipt.
// A device without a name is known by its size alone, which the original may
// have as well.
func (r *Receipt) knows(x *examined) bool {
	named := r.Card.Serial != "" || r.Card.CID != "" || r.Card.Bus == "loop"
	return r.Same(x.Facts) && (named || x.Source != nil && image.Sectors(x.Source) != x.Sectors)
}

func (r *Receipt) undoRefusal(x *examined, dev image.Source) (*Refusal, error) {
	refusal := func(code disk.Code, do, why string) (*Refusal, error) {
		return &Refusal{Code: code, Path: r.Path, Why: why, Do: do}, nil
	}
	switch {
	case r.Digest == "":
		return refusal(disk.NotUndoable, "nothing has to be undone", "it was never finished, so nothing was written to the card")
	case r.proof == untouched:
		return refusal(disk.NotUndoable, "nothing has to be undone", "nothing was written to the card yet")
	case r.Stage == StageUndone:
		return refusal(disk.NotUndoable, "nothing has to be undone", "it was undone already")
	case !r.Same(x.Facts):
		return refusal(disk.ReceiptOther, "put in the card of that receipt", fmt.Sprintf("it belongs to another card: %s", r.Card))
	case !r.Undoable():
		return refusal(disk.NotUndoable, "write the card again; next time add --keep all",
			"data was written over what the card held, and only its tables were kept: old tables over new data help nobody")
	case x.head == nil: // other guards refuse what could not be looked at
		return nil, nil
	}
	j, err := r.judge(dev)
	if err != nil {
		return nil, err
	}
	return r.undoRefusalOf(j, x), nil
}

// undoRefusalOf says why what was kept is not put back on this card, or
// nothing. When the work was done the mark is gone by plan, and the card was
// used since perhaps; before that the one sector of the mark may be lost: then
// its owner may know better.
func (r *Receipt) undoRefusalOf(j judgement, x *examined) *Refusal {
	code, do := disk.ReceiptOther, "put in the card of that receipt"
	switch j.outcome {
	case changed:
		code = disk.TargetChanged
	case another:
	default:
		return nil
	}
	used := r.New == nil || r.Stage == StageDone && r.proof == byPlan
	if r.Kind == Write && (used || j.lost) {
		if slices.Contains(x.Accept, disk.CardUnproved) {
			return nil
		}
		since := ", used since"
		if !used {
			since = " and it lost that sector"
		}
		code, do = disk.CardUnproved, do+"; if you know that it is this one"+since+": --accept "+string(disk.CardUnproved)
	}
	return &Refusal{Code: code, Path: x.Path, Do: do, Why: j.reason + "; " + r.where()}
}

func (c CardID) String() string {
	name := c.Model
	if name == "" {
		name = "a card without a name"
	}
	if c.Serial != "" {
		name += ", serial number " + c.Serial
	}
	return fmt.Sprintf("%s, %s of %d bytes", name, disk.Counted(c.Sectors, "sector"), c.SectorSize)
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
