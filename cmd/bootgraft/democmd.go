package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/demo"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
	"bootgraft/safety/newfile"
)

const demoHelp = `Runs the whole job on an invented drive: the hard-disk field recorder of an
invented song-collecting society. The drive has bad sectors and a loose plug. It
is rescued, mapped, and put onto cards of other sizes by the same commands that
you would type, and you see the lines of what they say that matter (--all: all).

Without DIR the files go to a new temporary folder. They take less than
300 MB, or 5 GB on a disk that stores no holes, such as FAT, and may be deleted
at any time.

Examples:

  bootgraft demo
  bootgraft demo ~/bootgraft-demo`

func demoCommand(u *talk.UI) *cobra.Command {
	return &cobra.Command{
		Use:   "demo [DIR]",
		Short: "the whole job on an invented drive, from nothing",
		Long:  demoHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			dir, err := demoDir(args)
			if err != nil {
				return err
			}
			ui := u
			if u.JSON {
				ui = u.Aside() // its commands answer people; of them it is said how they ended
			}
			told, err := demo.Run(c.Context(), ui, dir, u.All,
				func(ctx context.Context, u *talk.UI, played map[string]capture.Drive, args []string) error {
					return execute(ctx, u, played, args)
				})
			if err != nil {
				return err
			}
			u.Document(told)
			return nil
		},
	}
}

// demoDir returns the folder of the demonstration, which is new or empty.
func demoDir(args []string) (string, error) {
	if len(args) == 0 {
		return newfile.TempFolder("bootgraft-demo-")
	}
	dir := args[0]
	switch f, err := newfile.MakeFolder(dir); {
	case errors.Is(err, newfile.ErrNotEmpty):
		return "", talk.Refusef("the folder %s is not empty; the demonstration overwrites nothing. Give a new folder", dir)
	case err != nil:
		return "", fmt.Errorf("the folder %s cannot be made: %w", dir, err)
	default:
		return dir, f.Close()
	}
}
