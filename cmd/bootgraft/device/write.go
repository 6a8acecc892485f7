package device

import (
	"context"
	"fmt"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety"
	"bootgraft/safety/receipt"
)

// Write rehearses writing the card of a plan to a device, and with the word
// writes it.
func Write(ctx context.Context, u *talk.UI, plan, target string, job *input.Job, flags Flags) error {
	w, err := openCard(ctx, u, target, flags)
	if err != nil {
		return err
	}
	defer w.target.Close()
	digest, err := job.Plan.Digest()
	if err != nil {
		return err
	}
	w.req.Kind, w.req.Digest, w.req.Disk = receipt.Write, digest, job.Plan.Target
	w.req.Files = job.Guarded(plan)
	w.req.Card, w.req.Pieces, w.req.Source = job.Card, job.Plan.Pieces, job.Src
	w.req.Original = input.OriginalOf(job.Src)
	w.req.KeepAll, w.loses = flags.KeepAll, !flags.KeepAll
	w.req.Command = fmt.Sprintf("bootgraft plan %s --size %ds -o %s", words.Shell(job.Src.Path), w.facts.Sectors, "other.plan")
	w.chooseReceipt(plan)
	if err := w.findEarlier(plan, flags.Earlier); err != nil {
		return err
	}
	w.req.Anew = w.anewLine(plan)
	if r, err := receipt.Read(w.req.Receipt); err == nil && safety.Proves(r, w.target) {
		w.loses = false // that was decided when the receipt was begun, of this very card
	}
	d := &deviceWrite{work: w, job: job, plan: plan}
	w.show, w.do = d.show, d.write
	return w.run(ctx)
}

// deviceWrite writes one planned card to a device.
type deviceWrite struct {
	*work
	job  *input.Job
	plan string
}

// show says what will happen.
func (d *deviceWrite) show(r *safety.Rehearsal) {
	p := d.job.Plan
	d.Answerf("REHEARSAL: %s onto %s\n\n", d.plan, d.path)
	d.cardLines()
	if d.req.Try > 1 {
		d.Wrapped("  ", fmt.Sprintf("By the receipts beside the plan, this card or one just like it was written here before: this is try %d.", d.req.Try))
	}
	d.Answerf("\nWhat will happen\n")
	switch {
	case r.Finished:
		d.Wrapped("  ",
			"All of it was written, and only the receipt does not say so. The whole card is compared with the "+
				"plan; if it is as planned, that is noted, and nothing is written.")
	case r.Receipt != nil:
		d.Wrapped("  ", fmt.Sprintf(
			"An unfinished write is continued; it stopped at: %s, with the data before sector %s on the card.",
			r.Receipt.Stage, disk.Grouped(r.Receipt.Upto)))
	}
	total := map[layout.Op]disk.Sector{}
	for _, q := range p.Pieces {
		total[q.Op] += q.Count
	}
	size := int64(p.Target.SectorSize)
	written := p.Target.Sectors - total[layout.Leave]
	d.Wrapped("  1. ",
		"Both ends of the card and the places of its tables become blank, old and new ones. "+
			"From here on it is no disk for any system, until the last step.")
	d.Wrapped("  2. ", fmt.Sprintf("%s (%s) are written and read back past every cache: %s copied from the drive, %s made new, %s zeros.",
		disk.Counted(written, "sector"), disk.BytesText(int64(written)*size),
		disk.Grouped(total[layout.Copy]), disk.Grouped(total[layout.Render]), disk.Grouped(total[layout.Zero])))
	d.Wrapped("  3. ", "Second copies of tables, then first copies, then sector 0; each is flushed and read back.")
	if n := total[layout.Leave]; n > 0 {
		d.Wrapped("     ", fmt.Sprintf("%s are not touched.", disk.Counted(n, "sector")))
	}
	d.sayLeast(written)
	d.showUndo(r.Receipt)
}

// showUndo says what undo could bring back.
func (d *deviceWrite) showUndo(r *receipt.Receipt) {
	d.Answerf("\nWhat undo could bring back\n")
	keepAll := d.req.KeepAll
	if r != nil { // that was decided when it was begun
		keepAll = r.All
	}
	if keepAll {
		d.Wrapped("  ", "Everything: whatever is replaced is kept in the receipt first, compressed.")
	} else {
		d.Wrapped("  ",
			"The tables and both ends, as long as the data of step 2 was not begun; after that nothing. "+
				"To keep everything that is replaced, at the price of its space: --keep all")
	}
	d.Wrapped("  ", "Receipt: "+d.req.Receipt)
}

// write writes the card.
func (d *deviceWrite) write(ctx context.Context, p *safety.Permit) error {
	res, err := p.Write(ctx)
	d.finish()
	if err != nil {
		return err
	}
	return d.wrote(res)
}

// wrote says what was written, and lets the card go.
func (d *deviceWrite) wrote(res safety.DeviceResult) error {
	d.Document(document.NewCardWritten(document.KindWrite, d.path, res))
	d.Answerf(
		"%s is written and read back: %s\n  %s written",
		d.path, disk.SizeText(res.Sectors, d.job.Plan.Target.SectorSize), disk.Counted(res.Written, "sector"))
	if res.Left > 0 {
		d.Answerf(", %s not touched", disk.Grouped(res.Left))
	}
	d.Answerf("\n")
	d.Wrapped("  ", "what was written first was still there at the end: it is no card that only repeats itself")
	d.Answerf("  receipt: %s\n", res.Receipt)
	d.letGo()
	if res.NotNoted != nil {
		return notNoted(res.NotNoted)
	}
	d.Answerf(
		"\nTo compare every sector once more, in this reader or another one:\n\n  bootgraft verify %s %s%s\n",
		words.Shell(d.plan), words.Shell(d.path), d.job.Words)
	if res.Missing > 0 {
		return talk.Coded(talk.ExitIncomplete, fmt.Errorf("done, but %s sectors that the source does not know are zeros on the card", disk.Grouped(res.Missing)))
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
