package main

import (
	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
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
	flags := device.Flags{Program: build.Program()}
	c := &cobra.Command{
		Use:   "undo RECEIPT TARGET",
		Short: "put back what a card held before it was written",
		Long:  undoHelp,
		Args:  cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			if err := input.CheckReceiptFirst(args); err != nil {
				return err
			}
			switch {
			case !flags.Device:
				return talk.Usagef("undo writes to a card: add --device. An image file is never overwritten without " +
					"--replace, so " +
					"there is no receipt for one")
			case flags.Receipt != "":
				return talk.Usagef("the receipt is the first argument")
			}
			return device.Undo(c.Context(), u, args[0], args[1], flags)
		},
	}
	flags.Add(c)
	c.Flags().Lookup("receipt").Hidden = true // it is the first argument
	input.AcceptFlag(c.Flags(), &flags.Accept)
	return c
}
