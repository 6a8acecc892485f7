package safety

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"sync/atomic"

	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/newfile"
	"bootgraft/safety/receipt"
)

// Rehearsal is everything about a request that can be known before anything is
// written.
type Rehearsal struct {
	Facts    blockdev.Facts
	Refusals Refusals         // empty if nothing speaks against it
	Word     Word             // the confirmation word, if nothing does
	Receipt  *receipt.Receipt // an unfinished one that would be continued, or nil
	Finished bool             // all was written, and only the receipt does not say so
	Unstable Changes          // sectors that answered differently when they were read again

	dev Device
	req Request
}

// Permit allows one request on one device, once. Only a Rehearsal makes it,
// and only if every guard lets the request pass and the word is right.
type Permit struct {
	dev     Device
	req     Request
	receipt *receipt.Receipt
	looked  *Looked // what the word stands for; nil for a card that answers differently
	used    atomic.Bool
}

// Rehearse looks at the device, asks every guard, and makes the confirmation
// word. It writes nothing. An error says that the device could not be looked
// at; what speaks against the request is in Refusals.
func Rehearse(dev Device, req Request) (*Rehearsal, error) {
	if req.Card != nil {
		if err := checkCard(req.Card, req.Pieces); err != nil {
			return nil, err
		}
	}
	if err := req.addReceiptFolder(); err != nil {
		return nil, err
	}
	f, err := dev.Look(req.Files)
	if err != nil {
		return nil, err
	}
	r := &Rehearsal{Facts: f, dev: dev, req: req}
	x := &examined{Facts: f, Request: &r.req}
	fits := f.Held == nil && f.Sectors == req.Disk.Sectors && f.SectorSize == req.Disk.SectorSize &&
		isBlockDevice(x) == nil
	if fits {
		if x.head, err = r.lookTwice(); err != nil {
			return nil, fmt.Errorf("reading what %s holds: %w", f.Path, err)
		}
	}
	refusal := r.unreadable()
	if refusal == nil {
		if refusal, err = r.readReceipt(x); err != nil {
			return nil, err
		}
	}
	r.Refusals = judge(x)
	if refusal != nil {
		r.Refusals = append(r.Refusals, refusal)
	}
	if len(r.Refusals) == 0 {
		if r.Refusals, err = r.try(); err != nil {
			return nil, err
		}
	}
	if len(r.Refusals) == 0 {
		r.Word = makeWord(&r.req, f, r.content())
	}
	return r, nil
}

// lookTwice reads what the word is to stand for, all of it twice: no word could
// be given for a card that answers differently each time.
func (r *Rehearsal) lookTwice() (head []byte, err error) {
	if r.req.Looked == nil {
		r.req.Looked = LookThrough(r.dev)
	}
	if head, err = r.req.Looked.Ends(); err != nil {
		return nil, err
	}
	if r.Unstable, err = r.req.Looked.again(); r.Unstable.Sectors == 0 && len(r.req.Looked.shaky) > 0 {
		r.Unstable.add(r.req.Looked.shaky[0].Start)
	}
	return head, err
}

// unreadable refuses a card of which both ends cannot be read whole: neither can
// they be kept, nor can it be told by them which card it is. A test is for such
// cards.
func (r *Rehearsal) unreadable() *Refusal {
	if r.req.Looked == nil || len(r.req.Looked.bad) == 0 || r.req.Kind.Tests() {
		return nil
	}
	bad := r.req.Looked.bad
	return &Refusal{Code: disk.TargetUnreadable, Path: r.Facts.Path,
		Why: fmt.Sprintf("%s of it cannot be read, the first is sector %s", disk.Counted(bad.Sectors(), "sector"),
			disk.Grouped(bad[0].Start)),
		Do: "use another card. A sector that was just being written when the power went can be cured by writing it again: " +
			"bootgraft card --write-test full does that to every one, and what the card holds is lost; " +
			"if it passes, write the card as a new one, with another --receipt"}
}

// content is what the last part of the word stands for. A card that answers
// differently has no content to stand for.
func (r *Rehearsal) content() []byte {
	if r.Unstable.Sectors > 0 {
		return []byte("answers differently")
	}
	return r.req.Looked.digest()
}

// addReceiptFolder makes the guards look at where the receipt will lie.
func (r *Request) addReceiptFolder() error {
	if r.Receipt == "" {
		return nil
	}
	dir := newfile.FolderOf(r.Receipt)
	st, err := os.Stat(dir)
	if errors.Is(err, os.ErrNotExist) {
		return &Refusal{Code: disk.NoFolder, Path: r.Receipt, Why: "there is no folder " + dir, Do: "make the folder first"}
	}
	if err != nil {
		return err
	}
	if in, err := newfile.UnderDev(dir); in && err == nil && r.Kind != receipt.Undo {
		return &Refusal{
			Code: disk.TargetUnderDev, Path: r.Receipt, Do: "give another place with --receipt",
			Why: "it would lie among the device nodes, in memory, and be gone after the next start",
		}
	}
	r.Files = append(r.Files[:len(r.Files):len(r.Files)], blockdev.File{Path: dir, Info: st, Role: "the receipt"})
	return nil
}

// Permit returns the right to do what was rehearsed, if the word is the one of
// this rehearsal. Otherwise the error is Refusals.
func (r *Rehearsal) Permit(word string) (*Permit, error) {
	if len(r.Refusals) > 0 {
		return nil, r.Refusals
	}
	if wrong := r.Word.check(r.Facts.Path, word); wrong != nil {
		return nil, Refusals{wrong}
	}
	p := &Permit{dev: r.dev, req: r.req, receipt: r.Receipt}
	if r.Unstable.Sectors == 0 {
		p.looked = r.req.Looked
	}
	return p, nil
}

// take uses the permit up.
func (p *Permit) take(kinds ...receipt.Kind) error {
	if !slices.Contains(kinds, p.req.Kind) {
		return fmt.Errorf("the permit is for another kind of work: %s", p.req.Kind)
	}
	if p.used.Swap(true) {
		return errors.New("the permit was used already")
	}
	return nil
}

// lookAgain asks every guard again, and reads again what the word stands for,
// right before the first write: what the open descriptor does not hold off may
// have come since.
func (p *Permit) lookAgain() error {
	if err := p.dev.Same(); err != nil {
		return err
	}
	f, err := p.dev.Look(p.req.Files)
	if err != nil {
		return err
	}
	if found := judge(&examined{Facts: f, Request: &p.req, ours: true}); len(found) > 0 {
		return Refusals(found)
	}
	if p.looked == nil {
		return nil
	}
	c, err := p.looked.again()
	if err != nil {
		return err
	}
	if c.Sectors > 0 {
		return Refusals{{Code: disk.TargetChanged, Path: f.Path, Do: "run the same command without --confirm and look again",
			Why: fmt.Sprintf("%s of what was looked at changed since, the first is sector %s", disk.Counted(c.Sectors, "sector"),
				disk.Grouped(c.First))}}
	}
	return nil
}
