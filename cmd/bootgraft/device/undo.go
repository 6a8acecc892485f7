package device

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/safety"
	"bootgraft/safety/receipt"
)

// Undo rehearses putting back what a receipt kept of a card, and with the word
// does it.
func Undo(ctx context.Context, u *talk.UI, path, target string, flags Flags) error {
	req, kept, err := safety.UndoRequest(path)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no receipt %s", path)
	}
	if err != nil {
		return err
	}
	defer kept.Close()
	w, err := openCard(ctx, u, target, flags)
	if err != nil {
		return err
	}
	defer w.target.Close()
	progress := w.req.Progress
	w.req = req
	w.req.Accept = flags.Accept
	w.req.Fixed, w.req.Tables, w.req.Progress = flags.Fixed, w.held.Tables, progress
	w.loses = kept.Receipt.Stage == receipt.StageDone // since then the card may have come to hold more
	d := &undoing{work: w, kept: kept}
	w.show, w.do = d.show, d.write
	return w.run(ctx)
}

// undoing puts back what one receipt kept.
type undoing struct {
	*work
	kept *receipt.Kept
}

func (d *undoing) show(*safety.Rehearsal) {
	r := d.kept.Receipt
	d.Answerf("REHEARSAL: undo %s on %s\n\n", r.Path, d.path)
	d.cardLines()
	d.Answerf("\n%s\n", page.WillHappen)
	n := r.Kept.Sectors()
	what := "the tables and both ends as they were; no data was written yet"
	if r.All {
		what = "everything that was replaced"
	}
	d.Wrapped("  ", fmt.Sprintf("%s of the receipt of %s are put back: %s. The write had come to: %s.",
		disk.Counted(n, "sector"), r.Created.Local().Format("2 January 2006, 15:04"), what, r.Stage))
	d.Wrapped("  ", fmt.Sprintf(
		"%s (%s) are written and read back; all others are not touched.",
		disk.Counted(n, "sector"), disk.BytesText(int64(n)*int64(r.Card.SectorSize))))
}

func (d *undoing) write(ctx context.Context, p *safety.Permit) error {
	res, err := p.Write(ctx)
	d.finish()
	if err != nil {
		return err
	}
	d.Document(document.NewCardWritten(document.KindUndo, d.path, res))
	d.Wrapped("", fmt.Sprintf("%s holds again what the receipt kept of it: %s put back and read back", d.path,
		disk.Counted(disk.Sector(res.Written), "sector")))
	d.letGo()
	if res.NotNoted != nil {
		return notNoted(res.NotNoted)
	}
	return nil
}
