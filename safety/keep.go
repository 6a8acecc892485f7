package safety

import (
	"context"
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
	"bootgraft/safety/receipt"
)

// openReceipt makes the receipt, with what the card holds now in it, or goes
// on with an older one. When it returns, what it holds outlasts a power cut.
func (a *applier) openReceipt() error {
	a.stage = receipt.StageKeep
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
	return a.newReceipt(kept, receipt.Header{Fence: a.fence, New: planned, All: a.req.KeepAll})
}

// plannedContent is what the card will be known by when its mark is replaced.
func (a *applier) plannedContent() (*receipt.Content, error) {
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
	n := &receipt.Content{Tables: a.phase[1].Union(a.phase[2])}
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
func (a *applier) newReceipt(kept disk.Spans, h receipt.Header) error {
	path := a.req.Receipt
	if path == "" {
		return errors.New("there is no name for the receipt")
	}
	// Before the file is made: a full disk is told while nothing is begun.
	if err := roomFor(path, sourceBytes(kept, a.dev)); err != nil {
		return err
	}
	f, err := a.dev.Describe()
	if err != nil {
		return err
	}
	h.Format, h.Version, h.Kind, h.Plan = receipt.Format, receipt.Version, a.req.Kind, a.req.Digest
	h.Sequence, h.Writer = f.Sequence, a.req.Program
	h.Card, h.Node, h.Kept, h.Created, h.Try = receipt.IDOf(f), f.Node, kept, time.Now().UTC(), a.req.Try
	h.Mark = a.id
	file, err := a.makeReceipt(path)
	if err != nil {
		return err
	}
	a.out = receipt.NewWriter(file)
	if err := a.fillReceipt(h); err != nil { // the card is untouched, so the receipt is of no use
		return errors.Join(err, a.out.File.Close(), os.Remove(path))
	}
	return nil
}

// makeReceipt makes a new file, or empties the one of a card that was never
// touched, which is of no use to anybody.
func (a *applier) makeReceipt(path string) (*os.File, error) {
	if !a.req.anew {
		f, err := receipt.Create(path)
		if errors.Is(err, fs.ErrExist) {
			return nil, &Refusal{Code: disk.ReceiptExists, Path: path, Why: "a receipt is never overwritten",
				Do: "give another name with --receipt"}
		}
		return f, err
	}
	f, err := appendTo(path)
	if err != nil {
		return nil, err
	}
	// Read again, from the file that is held: the one that was looked at before the word
	// may have grown or been replaced since.
	now, err := receipt.From(f, path)
	if err == nil && now.Proof != receipt.Untouched {
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

func (a *applier) fillReceipt(h receipt.Header) error {
	if err := a.out.Line(h); err != nil {
		return err
	}
	progress := a.meterOver(sourceBytes(h.Kept, a.dev))
	stop := func() error {
		if a.ctx.Err() != nil {
			return context.Cause(a.ctx)
		}
		return nil
	}
	if err := a.out.Keep(a.dev, h.Kept, stop, progress); err != nil {
		return err
	}
	if err := a.out.Seal(); err != nil {
		return err
	}
	if f, ok := a.out.File.(*os.File); ok {
		if err := newfile.Reserve(f, a.progressRoom()); err != nil {
			return err
		}
	}
	// The name as well: without it a power cut takes away all that was kept.
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
// reserved before the first write of each run, for none of them may fail after it. A line
// about the data takes fewer than 128; 512 KiB are for all others: by hand, no source.
func (a *applier) progressRoom() int64 { return 512<<10 + a.dev.Size()/progressEvery*128 }

// roomFor refuses if the receipt may not fit, were nothing of it compressed. A 64th
// and 1 MiB more are for the frames of the parts and for the lines: by hand, no source.
func roomFor(path string, content int64) error {
	need := content + content/64 + 1<<20
	free, known := newfile.OS{}.Room(newfile.FolderOf(path))
	if known && free < need {
		return &Refusal{Code: disk.NoRoom, Path: path, Do: fmt.Sprintf("free %s, or give a receipt in another folder",
			disk.Counted(need-free, "byte")),
			Why: fmt.Sprintf("keeping what is replaced needs up to %s, and its file system has %s left",
				disk.Counted(need, "byte"), disk.Grouped(free))}
	}
	return nil
}

// continueReceipt goes on behind the last whole line. What the rehearsal
// decided is decided again by what the receipt and the card say now, when
// nobody else can take the receipt.
func (a *applier) continueReceipt() error {
	file, err := appendTo(a.receipt.Path)
	if err != nil {
		return err
	}
	now, err := receipt.From(file, a.receipt.Path)
	if err == nil && (now.Digest != a.receipt.Digest || now.End != a.receipt.End) {
		err = errChangedReceipt
	}
	if err == nil {
		err = a.judgeAgain(now)
	}
	if err == nil {
		err = file.Truncate(a.receipt.End)
	}
	if err == nil { // what the run before reserved is gone with that
		err = newfile.Reserve(file, a.progressRoom())
	}
	if err != nil {
		return errors.Join(err, file.Close())
	}
	a.out = &receipt.Writer{File: file}
	return nil
}

func (a *applier) judgeAgain(r *receipt.Receipt) error {
	f, err := a.dev.Describe()
	if err != nil {
		return err
	}
	x, card := &examined{Facts: f, Request: &a.req}, cardOf{r}
	if a.req.Pull {
		no, err := card.notPulled(a.dev, x)
		if err == nil && no != nil {
			err = Refusals{no}
		}
		return err
	}
	j, err := card.judge(a.dev)
	if err != nil {
		return err
	}
	refusal := card.refusalOf(j, x)
	if a.req.Kind == receipt.Undo {
		refusal = card.undoRefusalOf(j, x)
	}
	if refusal != nil {
		return Refusals{refusal}
	}
	a.finished = j.outcome == finished && a.req.Kind == receipt.Write
	return nil
}

// refusalOf says why a write cannot go on with the receipt, or nothing.
func (r cardOf) refusalOf(j judgement, x *examined) *Refusal {
	do := "put in the card of that receipt; to write this card as a new one give another name with --receipt"
	if x.Anew != "" {
		do = "put in the card of that receipt; to write this card as a new one, with a receipt of its own, type: " + x.Anew
	}
	switch j.outcome {
	case another:
		return &Refusal{Code: disk.ReceiptOther, Path: x.Path, Do: do,
			Why: "it is another card than that of the unfinished receipt: " + j.reason + "; " + r.where()}
	case changed:
		return &Refusal{Code: disk.TargetChanged, Path: x.Path, Do: "look at what it holds; " + do,
			Why: j.reason + "; " + r.where()}
	case anew:
		return &Refusal{Code: disk.ReceiptOther, Path: x.Path, Do: "rehearse again", Why: "the receipt changed"}
	}
	return nil
}

// knows tells whether the card can be told from the original by this receipt.
// A device without a name is known by its size alone, which the original may
// have as well.
func (r cardOf) knows(x *examined) bool {
	named := r.Card.Serial != "" || r.Card.CID != "" || r.Card.Bus == "loop"
	return r.Same(x.Facts) && (named || x.Source != nil && image.Sectors(x.Source) != x.Sectors)
}

func (r cardOf) undoRefusal(x *examined, dev image.Source) (*Refusal, error) {
	refusal := func(code disk.Code, do, why string) (*Refusal, error) {
		return &Refusal{Code: code, Path: r.Path, Why: why, Do: do}, nil
	}
	begun, err := r.cutSince(x, dev)
	switch {
	case err != nil:
		return nil, err
	case begun && r.Digest == "":
		return r.cutRefusal(disk.NotUndoable), nil
	case r.Digest == "":
		return refusal(disk.NotUndoable, "nothing has to be undone",
			"it was never finished, so nothing was written to the card")
	case r.Untouched() && !begun:
		return refusal(disk.NotUndoable, "nothing has to be undone", "nothing was written to the card yet")
	case r.Stage == receipt.StageUndone:
		return refusal(disk.NotUndoable, "nothing has to be undone", "it was undone already")
	case !r.Same(x.Facts):
		return refusal(disk.ReceiptOther, "put in the card of that receipt",
			fmt.Sprintf("it belongs to another card: %s", r.Card))
	case !r.Suffices():
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

// cutSince tells whether a receipt by which nothing was written has lost its end: the
// card says otherwise. A card that cannot be read says nothing.
func (r cardOf) cutSince(x *examined, dev image.Source) (bool, error) {
	if !r.Untouched() || x.head == nil || !r.Same(x.Facts) {
		return false, nil
	}
	return r.wasBegun(dev)
}

// cutRefusal refuses a receipt of which a part of what was kept is lost: what is left of
// it stays.
func (r cardOf) cutRefusal(code disk.Code) *Refusal {
	return &Refusal{Code: code, Path: r.Path,
		Why: "it ends before what the card held is whole in it, and yet the card bears its mark: it was cut off since",
		Do:  "look for a whole copy of it; to write the card as a new one give another name with --receipt"}
}

// undoRefusalOf says why what was kept is not put back on this card, or
// nothing. When the work was done the mark is gone by plan, and the card was
// used since perhaps; before that the one sector of the mark may be lost: then
// its owner may know better.
func (r cardOf) undoRefusalOf(j judgement, x *examined) *Refusal {
	code, do := disk.ReceiptOther, "put in the card of that receipt"
	switch j.outcome {
	case changed:
		code = disk.TargetChanged
	case another:
	default:
		return nil
	}
	used := r.New == nil || r.Stage == receipt.StageDone && r.Proof == receipt.ByPlan
	if r.Kind == receipt.Write && (used || j.lost) {
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

// UndoRequest returns the request that undoes a receipt. The old content is to
// be closed when the work is done.
func UndoRequest(path string) (Request, *receipt.Kept, error) {
	r, err := receipt.Read(path)
	if err != nil {
		return Request{}, nil, err
	}
	k, err := r.Open()
	if err != nil {
		return Request{}, nil, err
	}
	return Request{Kind: receipt.Undo, Digest: r.Digest, Disk: r.Disk(),
		Card: k, Pieces: r.Pieces(), Receipt: path}, k, nil
}
