package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/safety"
)

const undoHelp = `Puts back on a card what a write kept of it in its receipt, and reads it back.

Without --keep all only the tables and both ends were kept. That is enough until
the first data was written; after that undo refuses: old tables over new data
help nobody. The guards and the word are those of write.

A card that is fenced is known by the mark of its receipt, in one sector. One
that was finished is known by its tables. If that sector was lost, or a device
changed the tables since, it could be another card, and undo asks for --accept
card-unproved.

Examples:

  sudo bootgraft undo card.plan.receipt /dev/sdX --device       rehearse
  sudo bootgraft undo card.plan.receipt /dev/sdX --device --confirm WORD`

func undoCommand(u *talk.UI) *cobra.Command {
	var flags cardFlags
	c := &cobra.Command{
		Use:   "undo RECEIPT TARGET",
		Short: "put back what a card held before it was written",
		Long:  undoHelp,
		Args:  cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			if err := input.CheckReceiptFirst(args); err != nil {
				return err
			}
			if !flags.device {
				return talk.Usagef("undo writes to a card: add --device. An image file is never overwritten without --replace, so there is no receipt for one")
			}
			return undo(u, c.Context(), args, flags)
		},
	}
	flags.Add(c)
	c.Flags().Lookup("receipt").Hidden = true // it is the first argument
	input.AcceptFlag(c.Flags(), &flags.accept)
	return c
}

func undo(u *talk.UI, ctx context.Context, args []string, flags cardFlags) error {
	if flags.receipt != "" {
		return talk.Usagef("the receipt is the first argument")
	}
	req, kept, err := safety.UndoRequest(args[0])
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no receipt %s", args[0])
	}
	if err != nil {
		return err
	}
	defer kept.Close()
	w, err := openCard(u, ctx, args[1], flags)
	if err != nil {
		return err
	}
	defer w.target.Close()
	progress := w.req.Progress
	w.req = req
	w.req.Accept = flags.accept
	w.req.Fixed, w.req.Tables, w.req.Progress = flags.fixed, w.held.Tables, progress
	w.loses = kept.Receipt.Stage == safety.StageDone // since then the card may have come to hold more
	d := &undoing{cardWork: w, kept: kept}
	w.show, w.do = d.show, d.write
	return w.run(ctx)
}

// undoing puts back what one receipt kept.
type undoing struct {
	*cardWork
	kept *safety.Kept
}

func (d *undoing) show(*safety.Rehearsal) {
	r := d.kept.Receipt
	d.Answerf("REHEARSAL: undo %s on %s\n\n", r.Path, d.path)
	d.cardLines()
	d.Answerf("\nWhat will happen\n")
	n := r.Kept.Sectors()
	what := "the tables and both ends as they were; no data was written yet"
	if r.All {
		what = "everything that was replaced"
	}
	d.Wrapped("  ", fmt.Sprintf("%s of the receipt of %s are put back: %s. The write had come to: %s.",
		disk.Counted(n, "sector"), r.Created.Local().Format("2 January 2006, 15:04"), what, r.Stage))
	d.Wrapped("  ", fmt.Sprintf("%s (%s) are written and read back; all others are not touched.", disk.Counted(n, "sector"), disk.BytesText(int64(n)*int64(r.Card.SectorSize))))
}

func (d *undoing) write(ctx context.Context, p *safety.Permit) error {
	res, err := p.Write(ctx)
	d.finish()
	if err != nil {
		return err
	}
	d.Document(document.NewCardWritten(document.KindUndo, d.path, res))
	d.Wrapped("", fmt.Sprintf("%s holds again what the receipt kept of it: %s put back and read back", d.path, disk.Counted(disk.Sector(res.Written), "sector")))
	d.letGo()
	if res.NotNoted != nil {
		return notNoted(res.NotNoted)
	}
	return nil
}
