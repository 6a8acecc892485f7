package device

import (
	"context"
	"errors"
	"fmt"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/layout"
	"bootgraft/layout/plan/starts"
	"bootgraft/safety"
	"bootgraft/safety/receipt"
)

// Write rehearses writing the card of a plan to a device, and with the word
// writes it. What it returns says how far that came, also where it fails; nil where no
// card could be looked at.
func Write(ctx context.Context, u *talk.UI, plan, target string, job *input.Job, flags Flags) (*page.CardWrite, error) {
	var start *starts.Report
	if flags.Confirm == "" { // a rehearsal; before the card is held, as this takes its time
		var err error
		if start, err = job.Starts(ctx, u); err != nil {
			return nil, err
		}
	}
	w, err := openCard(ctx, u, target, flags)
	if err != nil {
		return nil, err
	}
	defer w.target.Close()
	w.start = start
	digest, err := job.Plan.Digest()
	if err != nil {
		return nil, err
	}
	w.req.Kind, w.req.Digest, w.req.Disk = receipt.Write, digest, job.Plan.Target
	w.req.Files = job.Guarded(plan)
	w.req.Card, w.req.Pieces, w.req.Source = job.Card, job.Plan.Pieces, job.Src
	w.req.Original = input.OriginalOf(job.Src)
	w.req.KeepAll, w.loses = flags.KeepAll, !flags.KeepAll
	w.req.Command = fmt.Sprintf("bootgraft plan %s --size %ds -o %s", words.Shell(job.Src.Path), w.facts.Sectors,
		"other.plan")
	w.chooseReceipt(plan)
	if err := w.findEarlier(plan, flags.Earlier); err != nil {
		return nil, err
	}
	w.req.Anew = w.anewLine(plan)
	if r, err := receipt.Read(w.req.Receipt); err == nil && safety.Proves(r, w.target) {
		w.loses = false // that was decided when the receipt was begun, of this very card
	}
	d := &deviceWrite{work: w, told: &page.CardWrite{
		CardNow: w.now(), Plan: job.Plan, PlanPath: plan, Flags: job.Words, Receipt: w.req.Receipt, Try: w.req.Try,
		KeepAll: flags.KeepAll, Starts: start,
	}}
	w.show, w.do = d.show, d.write
	err = w.run(ctx)
	d.told.CardNow = w.now()
	d.ended(err)
	return d.told, err
}

// deviceWrite writes one planned card to a device.
type deviceWrite struct {
	*work
	told *page.CardWrite
}

// ended notes why it did not come to its end.
func (d *deviceWrite) ended(err error) {
	var no *refusedError
	if errors.As(err, &no) {
		d.told.Refused = no.all
	}
	errors.As(err, &d.told.Stopped)
}

// show says what will happen.
func (d *deviceWrite) show(r *safety.Rehearsal) {
	t := d.told
	t.CardNow = d.now()
	t.Finished, t.Line = r.Finished, d.commandLine("--confirm", r.Word.String())
	if was := r.Receipt; was != nil { // what it keeps was decided when it was begun
		t.Came, t.Upto, t.KeepAll = string(was.Stage), was.Upto, was.All
	}
	t.Least = d.leastText(t.Plan.Target.Sectors - t.Plan.Sectors(layout.Leave))
	page.Rehearsed(d.UI, t)
}

// write writes the card.
func (d *deviceWrite) write(ctx context.Context, p *safety.Permit) error {
	res, err := p.Write(ctx)
	d.finish()
	if err != nil {
		return err
	}
	d.told.Written = &res
	return d.wrote(res)
}

// wrote says what was written, and lets the card go.
func (d *deviceWrite) wrote(res safety.DeviceResult) error {
	d.Document(document.NewCardWritten(document.KindWrite, d.path, res))
	page.CardWritten(d.UI, d.told)
	d.letGo()
	if res.NotNoted != nil {
		return notNoted(res.NotNoted)
	}
	d.Next("To compare every sector once more, in this reader or another one:", d.told.AgainLine())
	if res.Missing > 0 {
		return talk.Coded(talk.ExitIncomplete, errors.New(page.ZerosText(res.Missing)))
	}
	return nil
}

// notNoted ends work that was done and that its receipt does not call done.
func notNoted(err *safety.NotNotedError) error {
	return talk.Coded(talk.ExitStopped, fmt.Errorf(
		"%w\nWithout it the receipt does not say that this card was finished. "+
			"Make room where it lies and type the same command without --confirm: "+
			"it looks at the whole card and adds the line",
		err))
}
